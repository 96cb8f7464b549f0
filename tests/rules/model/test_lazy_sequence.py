"""Entries that are made when they are read: a tuple in all that can be seen of it, and nothing made that nobody reads."""

import pickle
from collections.abc import Sequence
from typing import Annotated

from pydantic import BaseModel

from rules.model.lazy_sequence import LazySequence, LazySequenceField

MADE: list[str] = []


def late() -> LazySequence[str]:
    MADE.clear()

    def make(name: str) -> str:
        MADE.append(name)
        return name.upper()

    return LazySequence(["a", "b", "c"], make)


class Holder(BaseModel):
    words: Annotated[Sequence[str], LazySequenceField()]


def test_an_entry_is_made_once_and_only_when_it_is_read() -> None:
    found = late()
    assert (len(found), list(found.names), MADE) == (3, ["a", "b", "c"], [])
    assert (found.named("b"), MADE) == ("B", ["b"])
    assert (list(found), MADE) == (["A", "B", "C"], ["b", "a", "c"])


def test_it_is_the_tuple_of_its_entries_in_all_that_can_be_seen() -> None:
    as_tuple = ("A", "B", "C")
    assert late() == as_tuple == late() == late()
    assert late() != ("A", "B") and late() != ["A", "B", "C"]
    assert hash(late()) == hash(as_tuple) and repr(late()) == repr(as_tuple)
    assert (late()[0], late()[1:]) == ("A", ("B", "C"))
    assert pickle.loads(pickle.dumps(late())) == as_tuple


def test_a_model_holds_it_unread_and_sends_the_tuple() -> None:
    held = Holder(words=late())
    assert held.model_dump(exclude={"words"}) == {} and MADE == []
    assert held.model_dump_json() == '{"words":["A","B","C"]}'
    assert held == Holder.model_validate_json('{"words":["A","B","C"]}')
    # As for any list of texts.
    assert Holder.model_json_schema()["properties"]["words"] == {
        "items": {"type": "string"},
        "title": "Words",
        "type": "array",
    }
