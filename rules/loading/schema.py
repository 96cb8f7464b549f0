"""The shape of each section of a knowledge file (pydantic), and validation errors turned into places in the file."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rules.errors import Place, closest_name, in_plain_words
from rules.loading.yaml_reader import YamlFile
from rules.model.ruleset import EvidenceKind

Scalar = bool | int | float | str
Number = int | float | str
"""A number, or arithmetic over parameters as text."""

Model = TypeVar("Model", bound=BaseModel)


class Schema(BaseModel):
    """Base of all shapes: frozen, and a key that is not expected is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


NAME = r"^[a-z][a-z0-9_-]{0,63}$"
"""What may name an entry of a section. Names become ids and file names of published FHIR artefacts."""


class HeaderShape(Schema):
    """Section ``ruleset``.

    ``name`` and ``version`` go into a header of every answer, a column of the store (64 characters), FHIR ids, canonical URLs and
    file names, so they are kept to what all of these can carry.
    """

    name: str = Field(pattern=NAME)
    version: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9.+-]{0,63}$")
    title: str
    disclaimer: str


class SourceShape(Schema):
    """One entry of ``sources``."""

    kind: EvidenceKind
    citation: str
    supports: str = ""
    from_memory: bool = False


class ParameterShape(Schema):
    """One entry of ``parameters``."""

    value: Scalar
    unit: str | None = None
    meaning: str
    sources: tuple[str, ...] = Field(min_length=1)
    confirm: bool = False
    range: tuple[float, float] | None = None
    one_of: tuple[str, ...] = ()
    read_by: str | None = None


class TopicShape(Schema):
    """One entry of ``topics``: who, at a site, confirms the rules of this topic."""

    confirmed_by: str


class EstimateShape(Schema):
    """An axis's ``estimate``: the concluded facts that hold mean and standard deviation of what is estimated."""

    mean: str
    spread: str


class AxisShape(Schema):
    """One entry of ``axes``. ``edges`` name parameters; ``silent`` is the value left out of the written class.

    ``conditions`` says under which condition a value holds that is only assumed ("if adult").
    ``estimate`` names the facts from which the probability of each band is worked out. ``largest`` says for a value of this
    axis what is the largest that may be offered beside it on other axes.
    """

    title: str
    values: tuple[str, ...] = Field(min_length=1)
    words: dict[str, str] = {}
    conditions: dict[str, str] = {}
    edges: tuple[str, ...] = ()
    fact: str | None = None
    measure: str | None = None
    silent: str | None = None
    estimate: EstimateShape | None = None
    largest: dict[str, dict[str, str]] = {}


class TaskShape(Schema):
    """One entry of ``tasks``."""

    title: str
    instruction: str
    request: Literal["order", "activity"]
    performer: str
    people: int = Field(default=1, ge=1)
    hands: dict[str, int] = {}
    kind: str | None = None
    location: str | None = None
    outcome: str | None = None


class HandShape(Schema):
    """One entry of ``hands``: what one person does during a task, and the phrases by which texts name that person."""

    words: str
    named_by: tuple[str, ...] = ()


class TimingShape(Schema):
    """The timing of a task call; numbers may be arithmetic over parameters."""

    every_hours: Number | None = None
    times_per_day: Number | None = None
    within_hours: Number | None = None
    within_wear_hours: Number | None = None
    on: tuple[str, ...] = ()
    for_days: Number | None = None


class TaskCallShape(TimingShape):
    """One entry of a rule's ``tasks``: the task, its timing, and what the rule adds.

    ``each`` in place of ``task`` adds to every task of that kind which some other rule asks for.
    """

    task: str | None = None
    each: str | None = None
    people: Number | None = None
    hands: dict[str, Number] = {}
    performer: str | None = None
    detail: str | None = None


class SizeShape(Schema):
    """One entry of a rule's ``size``; with ``first`` the value is tried before smaller ones that stand beside it."""

    axis: str
    value: str
    basis: Literal["measured", "observed", "assumed"]
    first: bool = False


class HoldShape(Schema):
    """One entry of a rule's ``hold``; ``summary`` says it in a sentence where ``text`` is longer than a card's summary."""

    kind: Literal["do_not_size", "cannot_size"]
    text: str
    summary: str | None = None
    axis: str | None = None


class CautionShape(Schema):
    """One entry of a rule's ``caution``; ``summary`` says it in a sentence where ``text`` is longer than a card's summary.

    One that ``leads`` is said before the size, and no order of a collar before it.
    """

    severity: Literal["info", "warning", "critical"]
    text: str
    leads: bool = False
    summary: str | None = None


class StepShape(Schema):
    """Under ``correct``: one value up (1) or down (-1) on a size axis."""

    axis: str
    by: Literal[1, -1]


class CorrectShape(Schema):
    """One entry of a rule's ``correct``: what a finding (without one: the fit as a whole) comes from and what to do.

    With ``step`` another size is tried, with ``refer`` an orthotist is asked, with ``stop`` fitting stops and somebody is
    called; with none of them the same size is seated again.
    """

    finding: str | None = None
    cause: str
    correction: str
    step: StepShape | None = None
    refer: bool = False
    stop: bool = False


class InstructionShape(Schema):
    """One entry of a leaflet's ``texts``; ``of`` is the fingerprint of the words that it translates."""

    title: str
    lines: tuple[str, ...] = Field(min_length=1)
    of: str | None = None

    @property
    def fingerprint(self) -> str:
        """Eight hex digits that change with title or lines; line breaks and spaces of the file count for nothing."""
        words = "\n".join(" ".join(line.split()) for line in (self.title, *self.lines))
        return hashlib.sha256(words.encode()).hexdigest()[:8]


class LeafletShape(Schema):
    """Section ``instructions``: the words for patients in one language (a BCP 47 code such as ``en``).

    ``translates`` names the language that the words were translated from.
    """

    language: str = Field(pattern=r"^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$")
    translates: str | None = None
    title: str
    notice: str
    texts: dict[str, InstructionShape] = Field(min_length=1)


class EffectsShape(Schema):
    """A rule's ``then``. Each may be one entry or a list of them; ``instructions`` are ids of a leaflet's ``texts``.

    ``ask`` names facts to be found out where they are not recorded.
    """

    conclude: dict[str, Scalar] = {}
    size: tuple[SizeShape, ...] = ()
    hold: tuple[HoldShape, ...] = ()
    caution: tuple[CautionShape, ...] = ()
    tasks: tuple[TaskCallShape, ...] = ()
    correct: tuple[CorrectShape, ...] = ()
    instructions: tuple[str, ...] = ()
    ask: tuple[str, ...] = ()


class RuleShape(Schema):
    """One entry of ``rules``. ``when`` is read by ``reading_rules``.

    ``asks: false`` asks nobody for what it reads; ``on_paper: false`` leaves it out of the questions on paper.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*(\.[a-z0-9_]+)+$")
    title: str
    when: Any
    then: EffectsShape
    because: str
    sources: tuple[str, ...] = Field(min_length=1)
    priority: int = 0
    asks: bool = True
    on_paper: bool = True


class ParameterChange(Schema):
    """A site's value for a parameter, and why."""

    value: Scalar
    because: str


class SwitchOff(Schema):
    """A rule that a site switches off, and why."""

    rule: str
    because: str


class OverlayShape(Schema):
    """A site's overlay file."""

    site: dict[str, str]
    parameters: dict[str, ParameterChange] = {}
    switch_off: tuple[SwitchOff, ...] = ()
    sources: dict[str, Any] = {}
    tasks: dict[str, Any] = {}
    rules: list[Any] = []


SECTIONS = (
    "facts",
    "retired_facts",
    "parameters",
    "sources",
    "topics",
    "axes",
    "tasks",
    "hands",
    "roles",
    "triggers",
)


def read(
    source: YamlFile, path: tuple[str | int, ...], value: object, shape: type[Model]
) -> Model | list[tuple[Place, str]]:
    """``value`` as a ``shape``, or the problems with their places.

    It was found in ``source`` under ``path``: keys, and positions in lists (from 0).
    """
    try:
        return shape.model_validate(value)
    except ValidationError as error:
        return [_problem(source, path, detail) for detail in error.errors(include_url=False)]


def _problem(source: YamlFile, path: tuple[str | int, ...], detail: Any) -> tuple[Place, str]:
    where = [step for step in detail["loc"] if step not in ("bool", "int", "float", "str")]
    key = str(where[-1]) if where else ""
    near = closest_name(key, {field for shape in _shapes(Schema) for field in shape.model_fields} - {key})
    message = {
        "missing": "this key is missing",
        "extra_forbidden": f"no key of this name is expected here{f'; did you mean {near}?' if near else ''}",
    }.get(detail["type"], in_plain_words(detail))
    given = "" if detail["type"] in ("missing", "extra_forbidden") else f"; found {detail['input']!r}"
    return source.place(*path, *where), f"{message}{given}"


def _shapes(shape: type[Schema]) -> Iterator[type[Schema]]:
    for below in shape.__subclasses__():
        yield below
        yield from _shapes(below)
