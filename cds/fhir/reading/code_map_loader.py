"""From ``code_map.yaml`` and a site's files of the same form to a CodeMap; every problem is named with its place."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import Field

from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.free_text.collar_text import CollarKind, CollarWords
from cds.fhir.free_text.words import WordList, folded, words_of
from cds.fhir.reading.code_map import (
    FACT_VALUES,
    FACTS,
    CodeMap,
    CodingKey,
    Collar,
    Episode,
    Meaning,
    NeckWord,
    OfOld,
    ScorePart,
    UnreadDiagnoses,
    UnreadObservations,
    as_compared,
    as_listed,
)
from rules.errors import KnowledgeError, Place
from rules.loading import schema
from rules.loading.yaml_reader import YamlFile
from rules.model.facts import FactDefinition, FactValue, Vocabulary
from rules.model.ruleset import Ruleset
from rules.model.units import UnitError, unit_of

CODE_MAP = Path(__file__).parent / "code_map.yaml"

Entry = TypeVar("Entry", bound="_CodeEntry")


class _CodeEntry(schema.Schema):
    system: str
    code: str | None = None
    prefix: str | None = None
    display: str = ""
    from_memory: bool = False
    read_in: str | None = None


class _FactEntry(_CodeEntry):
    fact: str
    value: schema.Scalar | None = None
    only: Literal["Observation", "Condition", "Procedure", "ServiceRequest"] | None = None
    not_seventh: tuple[str, ...] = ()


class _ValueEntry(_CodeEntry):
    fact: str
    value: schema.Scalar


class _SettingEntry(_CodeEntry):
    setting: str


class _CollarEntry(_CodeEntry):
    kind: CollarKind | None = None


class _NeckWordEntry(schema.Schema):
    word: str | None = None
    words: tuple[str, ...] = ()
    unless: tuple[str, ...] = ()
    only_with: tuple[str, ...] = ()
    alone: bool = False
    device: str | None = None

    def each(self) -> Iterable[NeckWord]:
        """The entry of each of its words, without accents."""
        unless, only_with = (tuple(map(folded, words)) for words in (self.unless, self.only_with))
        for word in map(folded, (*((self.word,) if self.word else ()), *self.words)):
            yield NeckWord(word, unless, only_with, self.alone, self.device)


class _LeadingWordEntry(_NeckWordEntry):
    fact: str


class _OfOldEntry(schema.Schema):
    fact: str
    hours: float | None = Field(default=None, gt=0, le=87600)
    visits: bool = False
    look: bool = False


class _UnreadDiagnosesShape(schema.Schema):
    denied: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    of_others: tuple[str, ...] = ()
    of_old: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    slight: tuple[str, ...] = ()
    plain: tuple[str, ...] = ()


class _SettingWordsEntry(_NeckWordEntry):
    setting: str


class _PartEntry(_CodeEntry):
    answers: dict[str, int] = Field(default={})


class _UnreadObservationsShape(schema.Schema):
    within_hours: float | None = Field(default=None, ge=0, le=720)
    not_of_now: tuple[str, ...] = ()
    denied: tuple[str, ...] = ()


class _EpisodeShape(schema.Schema):
    gap_hours: float | None = Field(default=None, ge=0, le=168)
    hours: str | None = None
    injuries: tuple[str, ...] = ()
    answers: dict[str, tuple[schema.Scalar, ...] | Literal["any"]] = Field(default={})


class _CollarWordsShape(schema.Schema):
    joined: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    collars: tuple[str, ...] = ()
    neck_collars: tuple[str, ...] = ()
    neck: tuple[str, ...] = ()
    rigid: tuple[str, ...] = ()
    nearby: tuple[str, ...] = ()
    flexible: tuple[str, ...] = ()
    plain: tuple[tuple[str, ...], ...] = ()
    elsewhere: tuple[tuple[str, ...], ...] = ()
    other_names: tuple[str, ...] = ()
    clauses: tuple[str, ...] = ()
    taken_off: tuple[str, ...] = ()
    put_back: tuple[str, ...] = ()

    def words(self) -> CollarWords:
        """As they are looked up."""
        lists = {name: WordList.of(_flat(getattr(self, name))) for name in type(self).model_fields if name != "joined"}
        return CollarWords(joined=frozenset(tuple(words_of(phrase)) for phrase in self.joined), **lists)


def _flat(written: tuple[str | tuple[str, ...], ...]) -> list[str]:
    """Words that may stand in groups, for whoever reads the file."""
    return [word for part in written for word in ((part,) if isinstance(part, str) else part)]


class _ReadingShape(schema.Schema):
    same_within_percent: float | None = Field(default=None, ge=0, le=5)
    future_tolerance_minutes: float | None = Field(default=None, ge=0, le=1440)
    stale_danger_hours: float | None = Field(default=None, ge=0, le=720)


class _AtMostShape(schema.Schema):
    at_most: float


class _CodeMapShape(schema.Schema):
    site: dict[str, str] = Field(default={})
    systems: dict[str, tuple[str, ...]] = Field(default={})
    facts: tuple[_FactEntry, ...] = ()
    ignore: tuple[_CodeEntry, ...] = ()
    values: tuple[_ValueEntry, ...] = ()
    neck_words: tuple[_NeckWordEntry, ...] = ()
    neck_codes: tuple[_CodeEntry, ...] = ()
    yes: tuple[_CodeEntry, ...] = ()
    no: tuple[_CodeEntry, ...] = ()
    gender: dict[Literal["male", "female", "other", "unknown"], str] = Field(default={})
    settings: tuple[_SettingEntry, ...] = ()
    setting_words: tuple[_SettingWordsEntry, ...] = ()
    collars: tuple[_CollarEntry, ...] = ()
    collar_codes: tuple[_CodeEntry, ...] = ()
    collar_texts: tuple[str, ...] = ()
    other_texts: tuple[str, ...] = ()
    collar_words: _CollarWordsShape = _CollarWordsShape()
    finding_questions: tuple[_CodeEntry, ...] = ()
    parts: dict[str, tuple[_PartEntry, ...]] = Field(default={})
    unread_observations: _UnreadObservationsShape = _UnreadObservationsShape()
    unread_diagnoses: _UnreadDiagnosesShape = _UnreadDiagnosesShape()
    leading_words: tuple[_LeadingWordEntry, ...] = ()
    of_old: tuple[_OfOldEntry, ...] = ()
    units: dict[str, str] = Field(default={})
    counted: dict[str, tuple[str, ...]] = Field(default={})
    episode: _EpisodeShape = _EpisodeShape()
    elapsing: tuple[str, ...] = ()
    safer: dict[str, schema.Scalar] = Field(default={})
    grave: dict[str, tuple[schema.Scalar, ...] | _AtMostShape] = Field(default={})
    reading: _ReadingShape = _ReadingShape()


def load_code_map(ruleset: Ruleset, site_files: Iterable[Path] = (), base: str = DEFAULT_BASE) -> CodeMap:
    """The shipped code map for the facts of ``ruleset``, extended by ``site_files`` in order.

    ``base`` is the canonical base of the project's own code systems. Raises KnowledgeError with every problem found.
    """
    sources = [YamlFile.read(CODE_MAP), *(YamlFile.read(path) for path in site_files)]
    return build_code_map(ruleset.vocabulary, sources, base)


def build_code_map(vocabulary: Vocabulary, sources: Iterable[YamlFile], base: str = DEFAULT_BASE) -> CodeMap:
    """A CodeMap to the facts of ``vocabulary`` from parsed ``sources``, the first being the shipped one.

    ``base`` is that of our own codes. Raises KnowledgeError with every problem.
    """
    build = _CodeMapBuilder(vocabulary, base)
    for number, source in enumerate(sources):
        build.take(source, local=number > 0)
    if build.problems:
        raise KnowledgeError(build.problems)
    return build.finish()


class _CodeMapBuilder:
    """One load in progress: what was found so far, and the problems."""

    def __init__(self, vocabulary: Vocabulary, base: str) -> None:
        self.vocabulary = vocabulary
        self.base = base
        self.problems: list[tuple[Place, str]] = []
        self.systems: dict[str, tuple[str, ...]] = {}
        self.exact, self.values = _own_codes(vocabulary, base)
        self.prefixes: dict[CodingKey, tuple[Meaning, ...]] = {}
        self.answers: dict[str, set[CodingKey]] = {"yes": set(), "no": set()}
        self.settings: dict[CodingKey, str] = {}
        self.setting_words: dict[NeckWord, str] = {}
        self.collars: dict[CodingKey, Collar] = {}
        self.collar_codes: set[CodingKey] = set()
        self.texts: dict[str, bool] = {}
        self.collar_words = CollarWords()
        self.ignored: set[CodingKey] = set()
        self.neck_words: dict[str, NeckWord] = {}
        self.neck_codes: set[CodingKey] = set()
        self.finding_questions: set[CodingKey] = set()
        self.parts: dict[CodingKey, ScorePart] = {}
        self.unread = UnreadObservations(0, (), frozenset())
        self.diagnoses = UnreadDiagnoses()
        self.leading_words: dict[str, dict[str, NeckWord]] = {}
        self.of_old: dict[str, OfOld] = {}
        self.words: dict[str, dict[str, str]] = {"gender": {}, "units": {}}
        self.counted: dict[str, tuple[str, ...]] = {}
        self.episode = Episode()
        self.elapsing: set[str] = set()
        self.safer: dict[str, FactValue] = {}
        self.grave: dict[str, tuple[FactValue, ...]] = {}
        self.grave_at_most: dict[str, float] = {}
        self.reading: dict[str, float] = {}

    def take(self, source: YamlFile, *, local: bool) -> None:
        """Add ``source``; an entry with the system and code of an earlier file's entry takes its place."""
        shape = schema.read(source, (), source.data, _CodeMapShape)
        if isinstance(shape, list):
            self.problems.extend(shape)
            return
        self.systems.update(
            {name: tuple(uri.replace("{base}", self.base) for uri in uris) for name, uris in shape.systems.items()}
        )
        self._take_facts(source, shape, local=local)
        for coding, value_entry, place in self._codings(source, "values", shape.values):
            if self._check(value_entry.fact, value_entry.value, place):
                self.values[value_entry.fact, coding] = value_entry.value
        self._take_answers(source, shape)
        for coding, setting_entry, place in self._codings(source, "settings", shape.settings):
            if self._check("setting", setting_entry.setting, place):
                self.settings[coding] = setting_entry.setting
        for index, words_entry in enumerate(shape.setting_words):
            if self._check("setting", words_entry.setting, source.place("setting_words", index)):
                self.setting_words |= dict.fromkeys(words_entry.each(), words_entry.setting)
        for coding, collar, _ in self._codings(source, "collars", shape.collars):
            self.collars[coding] = Collar(collar.kind, collar.display, collar.from_memory, local)
        self.collar_codes |= {coding for coding, _, _ in self._codings(source, "collar_codes", shape.collar_codes)}
        self.texts |= dict.fromkeys(map(as_compared, shape.collar_texts), True)
        self.texts |= dict.fromkeys(map(as_compared, shape.other_texts), False)
        self.collar_words |= shape.collar_words.words()
        self._take_neck_words(source, shape)
        self.neck_codes |= {coding for coding, _, _ in self._codings(source, "neck_codes", shape.neck_codes)}
        self.finding_questions |= {
            coding for coding, _, _ in self._codings(source, "finding_questions", shape.finding_questions)
        }
        self._take_parts(source, shape)
        self._take_episode(source, shape.episode)
        more = shape.unread_observations
        self.unread = UnreadObservations(
            self.unread.within_hours if more.within_hours is None else more.within_hours,
            (*self.unread.not_of_now, *map(folded, more.not_of_now)),
            self.unread.denied | set(map(folded, more.denied)),
        )
        self._take_diagnoses(source, shape)
        self._take_words(source, shape)
        self._take_grave(source, shape)
        self.reading |= shape.reading.model_dump(exclude_none=True)

    def _take_neck_words(self, source: YamlFile, shape: _CodeMapShape) -> None:
        for index, entry in enumerate(shape.neck_words):
            words = {word.word: word for word in entry.each()}
            if not words or not all(re.fullmatch(r"[^\W_]+\.?( [^\W_]+\.?)*", word) for word in words):
                self.problems.append((source.place("neck_words", index), "expected word or words, parted by one blank"))
                continue
            if entry.device is not None and not self._check(entry.device, True, source.place("neck_words", index)):
                continue
            self.neck_words |= words

    def _take_diagnoses(self, source: YamlFile, shape: _CodeMapShape) -> None:
        lists = shape.unread_diagnoses
        self.diagnoses = UnreadDiagnoses(
            **{
                name: (*getattr(self.diagnoses, name), *map(folded, getattr(lists, name)))
                for name in type(lists).model_fields
            }
        )
        for index, entry in enumerate(shape.leading_words):
            if self._check(entry.fact, True, source.place("leading_words", index)):
                known = self.leading_words.setdefault(entry.fact, {})
                known |= {word.word: word for word in entry.each()}
        for index, old in enumerate(shape.of_old):
            if self._check(old.fact, True, source.place("of_old", index)):
                self.of_old[old.fact] = OfOld(old.hours, old.visits, old.look)

    def _take_episode(self, source: YamlFile, shape: _EpisodeShape) -> None:
        place = source.place("episode")
        given = dict(self.episode.answers)
        for fact, answers in shape.answers.items():
            each: tuple[FactValue | None, ...] = (None,) if answers == "any" else answers
            if all([self._check(fact, answer, source.place("episode", "answers", fact)) for answer in each]):
                given[fact] = None if answers == "any" else answers
        for fact in shape.injuries:
            self._check(fact, None, place)
        if (
            shape.hours is not None
            and self._check(shape.hours, None, place)
            and self.vocabulary[shape.hours].unit != "h"
        ):
            self.problems.append((place, f"{shape.hours} does not count hours"))
        self.episode = Episode(
            self.episode.gap_hours if shape.gap_hours is None else shape.gap_hours,
            shape.hours or self.episode.hours,
            tuple(dict.fromkeys((*self.episode.injuries, *shape.injuries))),
            given,
        )

    def _take_parts(self, source: YamlFile, shape: _CodeMapShape) -> None:
        for fact, parts in shape.parts.items():
            place = source.place("parts", fact)
            if not self._check(fact, None, place):
                continue
            if not self.vocabulary[fact].numeric:
                self.problems.append((place, f"{fact} is no number, so it has no parts to add up"))
                continue
            # A site's list of parts takes the place of an earlier one.
            self.parts = {coding: part for coding, part in self.parts.items() if part.fact != fact}
            numbers: dict[int, int] = {}
            for coding, entry, _ in self._codings(source, f"parts.{fact}", parts):
                number = numbers.setdefault(id(entry), len(numbers))
                self.parts[coding] = ScorePart(fact, number, len(parts), entry.answers)

    def _take_facts(self, source: YamlFile, shape: _CodeMapShape, *, local: bool) -> None:
        taken: dict[CodingKey, tuple[Meaning, ...]] = {}
        for coding, entry, place in self._codings(source, "facts", shape.facts):
            if entry.not_seventh and entry.code:
                self.problems.append((place, "not_seventh is for a prefix: a whole code has its seventh character"))
            elif self._check(entry.fact, entry.value, place):
                said = (entry.fact, entry.value, entry.display, entry.from_memory, local, entry.only)
                taken[coding] = (*taken.get(coding, ()), Meaning(*said, entry.not_seventh))
                (self.exact if entry.code else self.prefixes)[coding] = taken[coding]
        for coding, ignored, place in self._codings(source, "ignore", shape.ignore):
            where: dict[CodingKey, Any] = self.exact if ignored.code else self.prefixes
            self.ignored.add(coding)
            found = [table.pop(coding) for table in (where, self.settings, self.collars) if coding in table]
            if not found:
                self.problems.append(
                    (place, "no earlier entry has this system and code, so there is nothing to ignore")
                )

    def _take_answers(self, source: YamlFile, shape: _CodeMapShape) -> None:
        for answer, other, entries in (("yes", "no", shape.yes), ("no", "yes", shape.no)):
            for coding, _, _ in self._codings(source, answer, entries):
                self.answers[answer].add(coding)
                self.answers[other].discard(coding)

    def _take_words(self, source: YamlFile, shape: _CodeMapShape) -> None:
        for gender, sex in shape.gender.items():
            if self._check("sex", sex, source.place("gender", gender)):
                self.words["gender"][gender] = sex
        for word, unit in shape.units.items():
            try:
                unit_of(unit)
            except UnitError as error:
                self.problems.append((source.place("units", word), f"{error}; expected a UCUM code"))
            self.words["units"][word] = unit
        self.counted |= shape.counted
        for index, fact in enumerate(shape.elapsing):
            place = source.place("elapsing", index)
            if self._check(fact, None, place):
                self.elapsing.add(fact)
                if self.vocabulary[fact].unit != "h":
                    self.problems.append((place, f"{fact} does not count hours"))
        for fact, value in shape.safer.items():
            if self._check(fact, value, source.place("safer", fact)):
                self.safer[fact] = value

    def _take_grave(self, source: YamlFile, shape: _CodeMapShape) -> None:
        for fact, given in shape.grave.items():
            place = source.place("grave", fact)
            if isinstance(given, tuple):
                if all([self._check(fact, answer, place) for answer in given]):
                    self.grave[fact] = given
            elif self._check(fact, None, place):
                if not self.vocabulary[fact].numeric:
                    self.problems.append((place, f"{fact} is no number; expected a list of its answers"))
                self.grave_at_most[fact] = given.at_most

    def _check(self, fact: str, value: object, place: Place) -> bool:
        """Whether ``fact`` may be given with ``value`` (None: no value stated); a problem is noted where not."""
        problem = self.vocabulary.problem(fact, value)
        if problem is None and value is None and self.vocabulary[fact].given == "concluded":
            self.problems.append((place, f"{fact} is worked out by rules and cannot be read"))
            return False
        if problem is not None:
            self.problems.append((place, f"{fact} = {value!r}: {problem.message}; accepted: {problem.accepted}"))
        return problem is None

    def _codings(
        self, source: YamlFile, section: str, entries: Iterable[Entry]
    ) -> Iterable[tuple[CodingKey, Entry, Place]]:
        """Each entry with its codings (one for each identifier of its system), after the checks that all share.

        ``section`` is where the entries stand in the file, its keys parted by dots.
        """
        keys = section.split(".")
        seen: dict[tuple[str, str, str | None], int] = {}
        for index, entry in enumerate(entries):
            place = source.place(*keys, index)
            code = entry.code or entry.prefix
            if code is None or (entry.code and entry.prefix):
                self.problems.append((place, "expected either code or prefix"))
            elif entry.prefix and section not in ("facts", "ignore", "neck_codes", "collar_codes"):
                self.problems.append(
                    (place, "a prefix is only read under facts, neck_codes and collar_codes; expected code")
                )
            elif entry.system not in self.systems:
                names = ", ".join(self.systems)
                self.problems.append((place, f"no system called {entry.system!r} under systems; there are: {names}"))
            elif (key := (entry.system, code, _told_apart(entry, section))) in seen:
                earlier = source.place(*keys, seen[key])
                self.problems.append((place, f"{entry.system} {code} already stands in {earlier}; keep one"))
            else:
                seen[key] = index
                for uri in self.systems[entry.system]:
                    yield as_listed(uri, code), entry, place

    def finish(self) -> CodeMap:
        """The code map. Call it only where there are no problems."""
        return CodeMap(
            base=self.base,
            vocabulary=self.vocabulary,
            exact=self.exact,
            prefixes=self.prefixes,
            values=self.values,
            yes=frozenset(self.answers["yes"]),
            no=frozenset(self.answers["no"]),
            gender=self.words["gender"],
            settings=self.settings,
            setting_words=self.setting_words,
            collars=self.collars,
            collar_codes=frozenset(self.collar_codes),
            texts=self.texts,
            collar_words=self.collar_words,
            ignored=frozenset(self.ignored),
            neck_words=tuple(self.neck_words.values()),
            neck_codes=frozenset(self.neck_codes),
            finding_questions=frozenset(self.finding_questions),
            parts=self.parts,
            unread_observations=self.unread,
            unread_diagnoses=self.diagnoses,
            of_old=self.of_old,
            leading_words={fact: tuple(words.values()) for fact, words in self.leading_words.items()},
            units=self.words["units"],
            counted=self.counted,
            episode=self.episode,
            elapsing=frozenset(self.elapsing),
            safer=self.safer,
            grave=self.grave,
            grave_at_most=self.grave_at_most,
            same_within_percent=self.reading["same_within_percent"],
            future_tolerance_minutes=self.reading["future_tolerance_minutes"],
            stale_danger_hours=self.reading.get("stale_danger_hours", 0),
        )


def _told_apart(entry: _CodeEntry, section: str) -> str | None:
    """What tells entries of one code apart: the fact of values, and of what a code, or its beginning, says by being there."""
    if section == "values" or (section == "facts" and getattr(entry, "value", None) is not None):
        return f"{getattr(entry, 'fact', None)} {'*' if entry.prefix else ''}"
    return None


def _own_codes(
    vocabulary: Mapping[str, FactDefinition], base: str
) -> tuple[dict[CodingKey, tuple[Meaning, ...]], dict[tuple[str, CodingKey], FactValue]]:
    """The project's own codes: each fact that can be observed, and each value of a coded fact.

    Published are those with hyphens; a value is read as well with underscores, as the vocabulary lists it.
    """
    urls = Canonicals(base)
    exact: dict[CodingKey, tuple[Meaning, ...]] = {}
    values: dict[tuple[str, CodingKey], FactValue] = {}
    for name, fact in vocabulary.items():
        if fact.given == "concluded":
            continue
        coding = CodingKey(urls.code_system(FACTS), fact.code)
        exact[coding] = (*exact.get(coding, ()), Meaning(name, display=fact.label))
        for value in fact.values:
            for spelling in (code(value), value):
                values[name, CodingKey(urls.code_system(FACT_VALUES), spelling)] = value
    return exact, values
