"""Problems that pydantic reports, in words for whoever wrote the file or the call."""

from typing import Any

import pytest
from pydantic import BaseModel, Field, ValidationError

from rules.errors import in_plain_words


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
