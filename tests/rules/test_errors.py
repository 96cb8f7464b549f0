"""Messages: problems that pydantic reports in plain words, and names that are not there."""

from typing import Any

import pytest
from pydantic import BaseModel, Field, ValidationError

from rules.errors import expected_names, in_plain_words


class Shape(BaseModel):
    name: str = "x"
    sizes: tuple[int, ...] = ()
    facts: dict[str, Any] = {}
    inner: "Shape | None" = None
    worn: bool = True
    share: float = Field(default=1, le=5)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"name": {"a": 1}}, "must be a text, not an object of keys and values"),
        ({"name": None}, "must be a text, not null"),
        ({"sizes": 7}, "must be a list, not a number"),
        ({"sizes": "7"}, "must be a list, not a text"),
        ({"facts": ["a"]}, "must be an object of keys and values, not a list"),
        ({"worn": []}, "must be true or false, not a list"),
        ({"share": 6}, "must be less than or equal to 5"),
    ],
)
def test_a_problem_says_what_must_stand_there_and_what_does(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError) as caught:
        Shape.model_validate(given)
    (problem,) = caught.value.errors()
    assert in_plain_words(problem).startswith(words)


@pytest.mark.parametrize(
    ("name", "names", "words"),
    [
        ("inspect_skn", ["inspect_skin", "measure_neck"], "did you mean inspect_skin?"),
        ("zzz", ["inspect_skin", "measure_neck"], "there are: inspect_skin, measure_neck"),
        ("zzz", [f"name_{number}" for number in range(20)], "there are: name_0, name_1"),
    ],
)
def test_a_wrong_name_is_answered_with_the_one_like_it_or_the_names(name: str, names: list[str], words: str) -> None:
    assert expected_names(name, names).startswith(words)


def test_of_many_names_some_are_listed() -> None:
    few, many = (expected_names("zzz", [f"name_{number}" for number in range(count)]) for count in (20, 250))
    assert few.endswith("name_19") and many.endswith("name_19 and 230 more")
