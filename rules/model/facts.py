"""The facts vocabulary: each fact's name, type, unit, plausible range and meaning, and how input is checked.

The list itself is data (``knowledge/facts.yaml``). Unknown facts are simply absent: no value stands for "unknown".
"""

from __future__ import annotations

import math
from collections.abc import Callable, ItemsView, Iterator, Mapping
from datetime import datetime
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictFloat, StrictInt, StrictStr, model_validator

from rules.errors import ANY_NAME, FactError, InvalidFact, closest_name
from rules.model.quantity_words import unit_words
from rules.model.units import factor

FactValue = bool | int | float | str
StrictFactValue = StrictBool | StrictInt | StrictFloat | StrictStr


_STEP_WORDS = {1.0: "whole", 0.5: "whole or half"}
"""What numbers are called that are counted in so large steps."""


class Danger(BaseModel):
    """Which answers to a yes/no or coded fact are a danger by themselves (maybe none), and its name where nobody recorded it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    answers: tuple[StrictBool | StrictStr, ...]


class Lasting(BaseModel):
    """Answers that stand longer than others, unless a newer record says otherwise.

    ``hours`` is a number or a parameter's name; without it they stand for good.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    answers: tuple[StrictBool | StrictStr, ...] = Field(min_length=1)
    hours: str | float | None = None


class FactDefinition(BaseModel):
    """One fact that rules may read or conclude.

    ``unit`` is a UCUM code. ``range`` is the plausible range, both ends included, in ``unit``; ``step`` the least difference
    between two values, of which each is a whole number.
    ``values`` are the codes of a coded fact, in a meaningful order where there is one.
    ``given`` says who may supply it: an observer, the rules, or either.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    type: Literal["number", "integer", "boolean", "code"]
    label: str
    meaning: str
    code: str = Field(description="the code of this fact in the project's own CodeSystem")
    unit: str | None = None
    range: tuple[float, float] | None = None
    step: float | None = Field(default=None, ge=0.5, le=0.5, description="0.5: counted in wholes and halves")
    values: tuple[str, ...] = ()
    given: Literal["observed", "concluded", "either"] = "observed"
    stale_after_hours: str | float | None = Field(
        default=None,
        description="hours after which an observation is too old to use; a number or a parameter's name",
    )
    lasting: Lasting | None = Field(
        default=None,
        description="answers that are used beyond stale_after_hours: a danger does not end because nobody looked again",
    )
    ask: str | None = Field(default=None, description="how to obtain it, in words for the bedside")
    mistaken_units: tuple[str, ...] = Field(
        default=(), description="UCUM units in which the value is often written; an implausible value is tried in them"
    )
    reported: bool = Field(default=False, description="shown in a decision as an assessment, or as what is missing")
    finding: bool = Field(default=False, description="a fault of the fit, looked for at each fit check")
    foreseen: bool = Field(
        default=True,
        description="looked for and counted on as what may yet be learned; false where it only shows in the records",
    )
    unsettles: bool = Field(default=False, description="while it is true no size is called settled; for yes/no facts")
    danger: Danger | None = Field(default=None, description="the answers that are a danger, said in every phase")

    @model_validator(mode="after")
    def _answers_are_accepted(self) -> Self:
        for answer in self.danger.answers if self.danger else ():
            self._must_be_an_answer("danger", answer)
        for answer in self.lasting.answers if self.lasting else ():
            self._must_be_an_answer("lasting", answer)
        if self.unsettles and self.type != "boolean":
            raise ValueError(f"unsettles: {self.name} is no yes or no")
        if self.lasting and self.stale_after_hours is None:
            raise ValueError(f"lasting: nothing of {self.name} grows stale, so nothing lasts longer")
        return self

    def _must_be_an_answer(self, key: str, answer: FactValue) -> None:
        if self.problem(answer) is not None or self.numeric:
            raise ValueError(f"{key}: {answer!r} is not an answer to {self.name}; accepted: {self.accepted}")

    def age_limits(self) -> dict[str, str | float]:
        """The limits of age as they are written, in hours or as a parameter's name, by their key in the vocabulary."""
        limits = {
            "stale_after_hours": self.stale_after_hours,
            "lasting": None if self.lasting is None else self.lasting.hours,
        }
        return {key: limit for key, limit in limits.items() if limit is not None}

    @property
    def open(self) -> bool:
        """Whether an observer may yet give it, and is expected to look."""
        return self.given != "concluded" and self.foreseen

    @property
    def refutable(self) -> bool:
        """Whether nobody looks for it until rules conclude it; then an observer may say that it is otherwise."""
        return self.given == "either" and not self.foreseen

    @property
    def numeric(self) -> bool:
        """Whether values are ordered numbers."""
        return self.type in ("number", "integer")

    @property
    def counted_in(self) -> float | None:
        """The step in which the number is counted: 1 for whole numbers; None where any number may be recorded."""
        return 1.0 if self.type == "integer" else self.step

    def on_step(self, value: float, rounded: Callable[[float], int] = round) -> float:
        """``value``, in the unit of the fact, as it can be recorded.

        That is the next step by ``rounded`` (``round``, ``math.floor`` or ``math.ceil``); it is as it was where there
        are no steps.
        """
        return value if self.counted_in is None else rounded(value / self.counted_in) * self.counted_in

    @property
    def accepted(self) -> str:
        """What a value must be, in words."""
        if self.type == "boolean":
            return "true or false"
        if self.type == "code":
            return "one of " + ", ".join(self.values)
        kind = "a number" if self.counted_in is None else f"a {_STEP_WORDS[self.counted_in]} number"
        within = "" if self.range is None else f" from {self.range[0]:g} to {self.range[1]:g}"
        return f"{kind}{within} {unit_words(self.unit)}".strip()

    def problem(self, value: object) -> str | None:
        """Why ``value`` cannot be used for this fact, or None where it can."""
        if self.type == "boolean":
            return None if isinstance(value, bool) else "not a yes/no value"
        if self.type == "code":
            return None if isinstance(value, str) and value in self.values else "not one of the accepted codes"
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return "not a number"
        if not math.isfinite(value):
            return "not a finite number"
        if value != self.on_step(value) and self.counted_in is not None:
            return f"not a {_STEP_WORDS[self.counted_in]} number"
        if self.range is not None and not self.range[0] <= value <= self.range[1]:
            return f"implausible{self._other_unit(value, self.range)}"
        return None

    def _other_unit(self, value: float, plausible: tuple[float, float]) -> str:
        """What ``value`` would be in the units that it may have been meant in, where that is plausible; else nothing."""
        meant = ((code, value * float(factor(code, self.unit or "1"))) for code in self.mistaken_units)
        guesses = [
            f"{value:g} {unit_words(code, value)} ({size:.3g} {self.unit})"
            for code, size in meant
            if plausible[0] <= size <= plausible[1]
        ]
        return f" in {self.unit}: perhaps {' or '.join(guesses)}; check the unit and record it again" if guesses else ""


class RetiredFact(BaseModel):
    """A fact that is no longer used: its code, and the facts to record instead. Where it still comes in, it is listed."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    code: str
    instead: tuple[str, ...] = Field(min_length=1)

    @property
    def reason(self) -> str:
        """What to do, in words."""
        return f"no longer used; record {' and '.join(self.instead)} instead"


_MOST_HINTS = 20
"""So many names of one call are compared with all of the vocabulary: it takes a hundred times as long as anything else here."""
_LONGEST_GUESSED = 100


class RecordedFact(BaseModel):
    """A fact as an observer recorded it: the value in the fact's unit, and where it came from.

    ``reference`` names the record (for FHIR, ``Observation/123``); ``original`` is the value written there, its unit in words.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    value: StrictFactValue
    reference: str | None = None
    recorded: datetime | None = None
    original: str | None = None


class Vocabulary(Mapping[str, FactDefinition]):
    """All facts, by name, in the order of the file. ``retired`` are the facts that were once among them, by name."""

    def __init__(
        self, definitions: Mapping[str, FactDefinition], retired: Mapping[str, RetiredFact] | None = None
    ) -> None:
        """Keep ``definitions`` and the ``retired`` facts; names are the keys."""
        self._definitions = dict(definitions)
        self.retired: Mapping[str, RetiredFact] = dict(retired or {})

    def __getitem__(self, name: str) -> FactDefinition:
        """The definition of ``name``. Raises KeyError where there is none."""
        return self._definitions[name]

    def __iter__(self) -> Iterator[str]:
        """Names in file order."""
        return iter(self._definitions)

    def __len__(self) -> int:
        """How many facts there are."""
        return len(self._definitions)

    def items(self) -> ItemsView[str, FactDefinition]:
        """Names and definitions in file order; the view that a mapping has otherwise looks each name up."""
        return self._definitions.items()

    def check(self, facts: Mapping[str, object]) -> dict[str, FactValue]:
        """``facts`` as usable values. A None value means unknown and is left out; hyphens in a code count as underscores.

        Raises FactError that names every fact that is unknown to the vocabulary, of a wrong type, implausible,
        or only ever concluded by rules.
        """
        problems: list[InvalidFact] = []
        checked: dict[str, FactValue] = {}
        for name, given in facts.items():
            value = self._spelled(name, given)
            problem = self.problem(name, value, hint=len(problems) < _MOST_HINTS)
            if problem is not None:
                problems.append(problem)
            elif isinstance(value, (bool, int, float, str)):
                checked[name] = value
        if problems:
            raise FactError(problems)
        return checked

    def _spelled(self, name: str, value: object) -> object:
        """``value`` as the vocabulary spells it, where it is a code written with hyphens, as FHIR has it."""
        definition = self._definitions.get(name)
        if definition is None or definition.type != "code" or not isinstance(value, str):
            return value
        written = value.replace("-", "_")
        return written if written in definition.values else value

    def problem(self, name: str, value: object, *, hint: bool = True) -> InvalidFact | None:
        """Why ``value`` cannot be taken as input for ``name``, or None where it can; with a ``hint`` at a name like it."""
        definition = self._definitions.get(name)
        if definition is None and name in self.retired:
            return InvalidFact(name, value, self.retired[name].reason, "nothing; leave it out")
        if definition is None:
            close = closest_name(name, self._definitions) if hint and len(name) <= _LONGEST_GUESSED else None
            words = f"did you mean {close}?" if close else "`nuque facts` lists the names"
            return InvalidFact(name, value, f"no fact of this name; {words}", ANY_NAME)
        if value is None:
            return None
        if definition.given == "concluded":
            return InvalidFact(name, value, "is worked out by rules and cannot be given", "nothing; leave it out")
        message = definition.problem(value)
        return None if message is None else InvalidFact(name, value, message, definition.accepted)
