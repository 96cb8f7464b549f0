"""What a line of an export has in common with many others: its shape, which the record-by-record reader reads once for all.

The shape of a line is the line without the texts and numbers that differ from patient to patient. Of each shape one example
is read by the readers of ``cds.fhir.reading``, so codes, states, units and all that makes them refuse a record count as they
do there, and what they take for it holds for every line of the shape.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

import polars as pl
from pydantic_core import from_json

from cds.cohorts.cohort_reader import LAST_MOMENT_PERIODS, LAST_MOMENT_TIMES, CohortReader
from cds.fhir.json_access import mapping
from cds.fhir.reading.bundle_index import Record, ReferenceIndex
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.coded_records import CodedRecordReader
from cds.fhir.reading.encounter import SETTING, current_encounter, may_run, read_encounter
from cds.fhir.reading.neck_concepts import unread_concepts
from cds.fhir.reading.observation import ObservationReader
from cds.fhir.reading.patient import AGE, AgeQuestion, read_patient
from cds.fhir.reading.reconciliation import Accepted, Rejected, unmodified
from cds.fhir.reading.value_parser import unit_of_quantity, units_of_counts
from rules.model.facts import FactDefinition, FactValue
from rules.model.units import UnitError, convert

SEX = "sex"
_TEXT, _NUMBER = "\x01", "\x02"
"""What stands in a shape for a text and for a number: characters that no JSON holds as they are."""

_TIMES = {
    "Observation": ("effectiveDateTime", "effectiveInstant", "issued"),
    "Condition": ("recordedDate", "onsetDateTime"),
    "Procedure": ("performedDateTime",),
}
"""The elements that may date a record of each type that is read by its code."""

_TEXT_KEYS = (
    *(*LAST_MOMENT_TIMES, "start", "end", "onsetDateTime", "abatementDateTime", "deceasedDateTime"),
    *("birthDate", "lastUpdated", "versionId", "source", "id", "reference", "display", "text", "div", "value"),
    *("valueString", "valueDateTime", "valueDate", "family", "given", "prefix", "suffix"),
    *("line", "city", "district", "state", "postalCode", "country", "data"),
)
"""The JSON keys whose texts differ from one record to the next. What matters is in the shape; other keys stand in it whole."""

_STRING = r'"(?:[^"\\\x00-\x1f]|\\["\\/bfnrt]|\\u(?:[0-9A-Ca-cE-Fe-f][0-9A-Fa-f]|[Dd][0-7])[0-9A-Fa-f]{2})*"'
_TEXTS = rf'("(?:{"|".join(_TEXT_KEYS)})"\s*:\s*)(?:{_STRING}|\[\s*{_STRING}(?:\s*,\s*{_STRING})*\s*\])'
_NUMBERS = r'("(?:value|valueDecimal|valueInteger)"\s*:\s*)-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?'

_NOT_READ = (
    *("meta", "text", "identifier", "extension", "encounter", "note", "category", "basedOn", "partOf"),
    *("performer", "recorder", "asserter", "referenceRange", "interpretation", "method", "specimen"),
    *("reasonCode", "reasonReference"),
)
_NOT_READ_BY_TYPE = {
    "Patient": (
        *("name", "telecom", "address", "maritalStatus", "communication", "contact", "photo"),
        *("generalPractitioner", "managingOrganization"),
    ),
    "Encounter": (
        "type",
        "serviceType",
        "priority",
        "participant",
        "hospitalization",
        "diagnosis",
        "length",
        "account",
    ),
}
"""Elements whose texts and numbers no reader looks at. A text or a number anywhere else makes the shape one not understood."""

_WORDS_OF_CODES = re.compile(r"/(code|valueCodeableConcept|valueQuantity|class)(/coding/\d+)?/(display|text)")
"""What a code is called beside it: not looked at where the code means something."""

_REASONS = frozenset({"reasonCode", "reasonReference", "diagnosis"})
"""What an encounter that may run says of its reason."""

_AT = datetime(2000, 1, 2, tzinfo=UTC)
"""Examples are read at this moment, and their times are minutes before it."""


class Slots(NamedTuple):
    """What was taken out of lines: expressions of their shapes, and of the lists of texts and numbers as written, with key."""

    shape: pl.Expr
    texts: pl.Expr
    numbers: pl.Expr


def shape_and_slots(line: pl.Expr) -> Slots:
    """How to cut ``line``, NDJSON, into its shape and what was taken out, in the order of the line."""
    cut = line.str.replace_all(_TEXTS, f"${{1}}{_TEXT}")
    return Slots(
        shape=cut.str.replace_all(_NUMBERS, f"${{1}}{_NUMBER}"),
        texts=line.str.extract_all(_TEXTS),
        numbers=cut.str.extract_all(_NUMBERS),
    )


class Shape(NamedTuple):
    """What holds for every line of one shape. Slots are places in its lists of texts or of numbers.

    ``texts`` and ``numbers`` are how many there are. ``identity``, ``subject``, ``when`` (the time that dates the record, the
    start of an encounter) and ``born`` are slots. A ``fact`` has a ``value`` (see ``as_number``), or the number in the slot
    ``number``, in ``unit`` where that is not the fact's own. ``running`` marks an encounter that is not over; where the
    patient is stands in the slot ``place``, or is ``place_said``. ``moments`` are the slots of times that tell a patient's
    last moment.
    """

    type: str
    texts: int
    numbers: int
    identity: int
    subject: int | None = None
    when: int | None = None
    born: int | None = None
    fact: str | None = None
    value: float | None = None
    number: int | None = None
    unit: str | None = None
    running: bool | None = None
    place: int | None = None
    place_said: str | None = None
    moments: tuple[int, ...] = ()


def as_number(definition: FactDefinition, value: FactValue) -> float:
    """``value`` of the fact ``definition`` as a number, in its unit; of a code its place among the fact's codes, from 0.

    Of a yes/no fact it is 1 or 0.
    """
    return float(definition.values.index(str(value)) if definition.type == "code" else value)


class NotUnderstood(Exception):
    """A shape whose lines have to be read one by one."""


class ShapeReader:
    """Reads examples of shapes with the readers that ``reader`` uses for single records."""

    def __init__(self, reader: CohortReader) -> None:
        """Read as ``reader`` does."""
        self._reader = reader
        self._vocabulary, self._code_map = reader.ruleset.vocabulary, reader.code_map
        self._ages = AgeQuestion(reader.ruleset)
        self._by = (reader.code_map, self._ages, _AT)
        coded = CodedRecordReader(*self._by)
        self._by_code = {
            "Observation": ObservationReader(*self._by).observation,
            "Condition": coded.condition,
            "Procedure": coded.procedure,
        }

    def read(self, shape: str) -> Shape | None:
        """What holds for every line of ``shape``; None where its lines have to be read one by one."""
        try:
            example = _Example(shape)
            if example.holds_others:
                return None
            if example.type == "Patient":
                return self._patient(example)
            return self._encounter(example) if example.type == "Encounter" else self._coded(example)
        except NotUnderstood:
            return None

    def _patient(self, example: _Example) -> Shape:
        record = example.record(numbers={})
        found = _accepted(unmodified(record, read_patient(record, self._code_map, self._ages, _AT)))
        by_fact = {one.fact: one.value for one in found}
        born = example.slot("/birthDate") if AGE in by_fact else None
        example.expect("/id", "/birthDate")
        sex = by_fact.get(SEX)
        return example.shape(
            born=born,
            fact=None if sex is None else SEX,
            value=None if sex is None else as_number(self._vocabulary[SEX], sex),
        )

    def _encounter(self, example: _Example) -> Shape:
        record = example.record(numbers={})
        when, place = example.slot("/period/start"), self._reader.unit([record.resource])
        running = current_encounter([record], None, _AT) is not None
        # The words of a reason tell, which no shape holds.
        if may_run(record.resource) and not _REASONS.isdisjoint(record.resource):
            raise NotUnderstood
        found = []
        if running:
            found = _accepted(unmodified(record, read_encounter(record, ReferenceIndex(()), self._code_map, _AT)))
        slots = {word: slot for slot, word in example.words.items()}
        if len(found) > 1 or (running and record.resource.get("location")):
            raise NotUnderstood
        if record.resource.get("location") and not example.path(slots.get(place)).endswith("/location/display"):
            raise NotUnderstood
        example.expect(
            *("/id", "/subject/reference", "/period/start", "/period/end"),
            *(path for path in example.paths if path.startswith(("/location/", "/serviceProvider/", "/class/"))),
        )
        return example.shape(
            subject=example.slot("/subject/reference"),
            when=when,
            fact=SETTING if found else None,
            value=as_number(self._vocabulary[SETTING], found[0].value) if found else None,
            running=running,
            place=slots.get(place),
            place_said=None if place in slots else place,
        )

    def _coded(self, example: _Example) -> Shape:
        if example.type not in self._by_code or example.speaks_of_another:
            raise NotUnderstood
        number = example.numbers.get("/valueQuantity/value")
        if number is None:
            found, unit = self._one(example, {}), None
        else:
            found, unit = self._measured(example, number)
        definition = self._vocabulary.get(found.fact)
        if example.type == "Condition" and found.fact in self._code_map.of_old:  # By its dates, which no shape holds.
            raise NotUnderstood
        if definition is None or definition.given == "concluded" or found.fact in (AGE, SEX, SETTING):
            raise NotUnderstood
        when = next((slot for slot, time in example.times.items() if time == found.recorded), None)
        if when is None or found.standing or not found.ages or found.latest is not None:
            raise NotUnderstood
        times = [f"/{key}" for key in _TIMES[example.type]]
        example.expect("/id", "/subject/reference", "/valueQuantity/value", *times, words_of_codes=True)
        return example.shape(
            subject=example.slot("/subject/reference"),
            when=when,
            fact=found.fact,
            value=as_number(definition, found.value) if number is None else None,
            number=number,
            unit=None if unit == definition.unit or units_of_counts(definition, self._code_map) else unit,
        )

    def _one(self, example: _Example, numbers: Mapping[int, float | int]) -> Accepted:
        record = example.record(numbers)
        found = _accepted(unmodified(record, self._by_code[example.type](record)))
        if len(found) != 1 or any(unread_concepts(record.resource, self._code_map)):
            raise NotUnderstood
        return found[0]

    def _measured(self, example: _Example, number: int) -> tuple[Accepted, str]:
        """What is taken for a plausible number in ``number``, and its unit; the unit leaves one fact only."""
        record = example.record({})
        unit = unit_of_quantity(mapping(record.resource, "valueQuantity"), self._code_map)
        meanings, _ = ObservationReader(*self._by).meanings(record.resource, record)
        definitions = [self._vocabulary[meaning.fact] for meaning in meanings]
        if unit is None or not all(definition.numeric for definition in definitions):
            raise NotUnderstood
        numbers = [_plausible_number(definition, unit, self._code_map) for definition in definitions]
        plausible = [found for found in numbers if found is not None]
        if len(plausible) != 1:
            raise NotUnderstood
        return self._one(example, {number: plausible[0]}), unit


def _plausible_number(definition: FactDefinition, unit: str, code_map: CodeMap) -> float | None:
    """A plausible number of ``definition`` written in ``unit``; None where the unit measures something else."""
    low, high = definition.range or (1, 1)
    middle = float(int((low + high) / 2))
    counts = units_of_counts(definition, code_map)
    if counts or definition.unit is None:
        return middle if unit in counts else None
    try:
        return convert(Decimal(middle), definition.unit, unit)
    except UnitError:
        return None


def _accepted(findings: Iterator[Accepted | Rejected]) -> list[Accepted]:
    """``findings``, of which none may be a refusal."""
    found = []
    for finding in findings:
        if isinstance(finding, Rejected):
            raise NotUnderstood
        found.append(finding)
    return found


class _Slot(NamedTuple):
    """Stands in an example where a text (``kind`` 1) or a number (2) was taken out, the ``place``-th of its kind."""

    kind: str
    place: int


class _Example:
    """One line of a shape, with a text or a number of its own in each slot.

    ``texts`` and ``numbers`` say by the path in the resource which slot stands there (``/subject/reference``), ``times`` and
    ``words`` what stands in the slots of texts.
    """

    def __init__(self, shape: str) -> None:
        self._resource = _parsed(shape)
        self.texts: dict[str, int] = {}
        self.numbers: dict[str, int] = {}
        for path, slot in _slots_of(self._resource, ""):
            (self.texts if slot.kind == _TEXT else self.numbers)[path] = slot.place
        # A key that is there twice hides the slot of its first value.
        if (len(self.texts), len(self.numbers)) != (shape.count(_TEXT), shape.count(_NUMBER)):
            raise NotUnderstood
        self.type = str(self._resource.get("resourceType"))
        self.times = {
            slot: _AT - timedelta(minutes=slot + 1)
            for path, slot in self.texts.items()
            if path.rsplit("/", 1)[1] in (*LAST_MOMENT_TIMES, "onsetDateTime", "start", "end")
        }
        self.words = {
            slot: "2000-01-01" if path == "/birthDate" else f"example-{slot}"
            for path, slot in self.texts.items()
            if slot not in self.times
        }

    @property
    def paths(self) -> tuple[str, ...]:
        """Where there is a slot."""
        return (*self.texts, *self.numbers)

    @property
    def holds_others(self) -> bool:
        """Whether other resources stand inside, of which a danger is to be looked up."""
        return "contained" in self._resource

    @property
    def speaks_of_another(self) -> bool:
        """Whether it may be about somebody else than the subject of the record."""
        return "focus" in self._resource

    def path(self, slot: int | None) -> str:
        """Where the slot ``slot`` of a text is."""
        return next((path for path, place in self.texts.items() if place == slot), "")

    def slot(self, path: str) -> int:
        """The slot of the text at ``path``."""
        if path not in self.texts:
            raise NotUnderstood
        return self.texts[path]

    def expect(self, *read: str, words_of_codes: bool = False) -> None:
        """All slots are at the paths ``read``, or inside elements that are not read at all."""
        not_read = {*_NOT_READ, *_NOT_READ_BY_TYPE.get(self.type, ())}
        for path in self.paths:
            element = path.split("/")[1]
            named = words_of_codes and _WORDS_OF_CODES.fullmatch(path)
            if path not in read and element not in not_read and path != "/subject/display" and not named:
                raise NotUnderstood

    def record(self, numbers: Mapping[int, float | int]) -> Record:
        """The example with ``numbers`` in their slots, and 1 in all others."""

        def filled(value: object) -> Any:
            if isinstance(value, _Slot):
                if value.kind == _NUMBER:
                    return numbers.get(value.place, 1)
                time = self.times.get(value.place)
                return self.words[value.place] if time is None else time.isoformat()
            if isinstance(value, dict):
                return {key: filled(inner) for key, inner in value.items()}
            return [filled(inner) for inner in value] if isinstance(value, list) else value

        return Record(filled(self._resource), self.type, None, "example")

    def shape(self, **read: Any) -> Shape:
        """What was read of it, with what every shape says."""
        written = {f"/{key}": self._resource.get(key) for key in LAST_MOMENT_TIMES}
        for key in LAST_MOMENT_PERIODS:
            period = mapping(self._resource, key)
            written |= {f"/{key}/{end}": period.get(end) for end in ("start", "end")}
        moments = tuple(self.slot(path) for path, value in written.items() if value is not None)
        return Shape(self.type, len(self.texts), len(self.numbers), self.slot("/id"), **read, moments=moments)


def _parsed(shape: str) -> dict[str, Any]:
    """``shape`` as JSON with a ``_Slot`` where something was taken out."""
    counted = {_TEXT: 0, _NUMBER: 0}

    def numbered(match: re.Match[str]) -> str:
        place = counted[match[0]]
        counted[match[0]] += 1
        return f'{{"{_MARK}":["\\u{ord(match[0]):04x}",{place}]}}'

    try:
        resource = from_json(re.sub(f"[{_TEXT}{_NUMBER}]", numbered, shape))
    except ValueError:
        raise NotUnderstood from None
    marked = _marked(resource)
    if not isinstance(marked, dict):
        raise NotUnderstood
    return marked


_MARK = secrets.token_hex(16)
"""The key of a slot: one that no record can hold."""


def _marked(value: object) -> Any:
    if isinstance(value, dict):
        if _MARK in value:
            kind, place = value[_MARK]
            return _Slot(kind, place)
        return {key: _marked(inner) for key, inner in value.items()}
    return [_marked(inner) for inner in value] if isinstance(value, list) else value


def _slots_of(value: object, path: str) -> Iterator[tuple[str, _Slot]]:
    if isinstance(value, _Slot):
        yield path, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _slots_of(inner, f"{path}/{key}")
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _slots_of(inner, f"{path}/{number}")
