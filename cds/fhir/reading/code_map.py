"""The code map: which codes mean which facts, values, settings and collars. Data (``code_map.yaml``) that a site extends."""

from __future__ import annotations

import hashlib
import json
import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, is_dataclass, replace
from functools import cached_property
from itertools import islice
from typing import Any, NamedTuple

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.free_text.collar_text import CollarKind, CollarWords, Verdict
from cds.fhir.free_text.words import folded_words_of
from cds.fhir.json_access import items, mapping, text
from cds.fhir.prohibition import is_to_be_done
from rules.model.facts import FactDefinition, FactValue, Vocabulary

FACTS = "facts"
FACT_VALUES = "fact-values"
"""Names of the project's own code systems of facts and of the values of coded facts."""

ANY_CODE = "*"
"""In place of a code: whatever code of the system."""

ICD_10_CM, ICD_10 = "http://hl7.org/fhir/sid/icd-10-cm", "http://hl7.org/fhir/sid/icd-10"
_OTHER_ADDRESSES = {
    # Object identifiers of HL7 for the same systems.
    "urn:oid:2.16.840.1.113883.6.90": ICD_10_CM,
    "urn:oid:2.16.840.1.113883.6.3": ICD_10,
    "urn:oid:2.16.840.1.113883.6.96": "http://snomed.info/sct",
    "urn:oid:2.16.840.1.113883.6.1": "http://loinc.org",
    # National modifications that begin as the international classification does; from memory.
    "http://fhir.de/CodeSystem/bfarm/icd-10-gm": ICD_10,
    "http://fhir.de/CodeSystem/dimdi/icd-10-gm": ICD_10,
    "http://hl7.org/fhir/sid/icd-10-de": ICD_10,
    "http://hl7.org/fhir/sid/icd-10-nl": ICD_10,
    "http://hl7.org/fhir/sid/icd-10-am": ICD_10,
}
"""By which other address a code system is known, and the one that the code map uses."""

_LONGEST = 1000
"""Characters of a name that are looked at."""
LONGEST_SAID = 2000
"""Characters that are looked at of all the texts of one concept: its name, and its displays. No name of a diagnosis is as long."""
_ORDER_CODES = {"ServiceRequest": "code", "DeviceRequest": "codeCodeableConcept"}
_MOST_NAMES = 20
"""Of a device that an order contains."""


class CodingKey(NamedTuple):
    """A code and the system that it belongs to."""

    system: str
    code: str


@dataclass(frozen=True)
class Meaning:
    """What a code says: ``fact``, and ``value`` where the code's presence already says it.

    ``only`` is the one type of resource that it counts in (None: any). ``not_seventh`` are seventh characters of a code of
    ICD-10-CM with which it says something else: what is left of the injury (S), or its healing (D).
    ``from_memory`` marks codes that were recalled and not read again; ``local`` those of a site's own file.
    """

    fact: str
    value: FactValue | None = None
    display: str = ""
    from_memory: bool = False
    local: bool = False
    only: str | None = None
    not_seventh: tuple[str, ...] = ()

    def is_said_by(self, code: str) -> bool:
        """Whether ``code``, which begins as this meaning's does, says it by its seventh character."""
        return not self.not_seventh or seventh_character(code) not in self.not_seventh


@dataclass(frozen=True)
class Collar:
    """A code that means a rigid neck collar, or keeping the neck still; ``kind`` where the code says which."""

    kind: CollarKind | None = None
    display: str = ""
    from_memory: bool = False
    local: bool = False


@dataclass(frozen=True)
class ScorePart:
    """One of the ``of_parts`` parts, called by its ``number``, whose sum is the value of ``fact``.

    ``answers`` are the points of answers that are coded.
    """

    fact: str
    number: int
    of_parts: int
    answers: Mapping[str, int]


@dataclass(frozen=True)
class UnreadObservations:
    """An Observation about the neck is for a person to read for so many hours.

    It is not where a word of its question begins like one of ``not_of_now``, or one of its value is among ``denied``.
    """

    within_hours: float
    not_of_now: tuple[str, ...]
    denied: frozenset[str]


@dataclass(frozen=True)
class UnreadDiagnoses:
    """How the words of a diagnosis or an operation that is mapped to no fact are taken.

    A clause that begins with one of ``denied`` denies, unless one of ``lost`` stands in it, whose absence is the danger. A text
    that begins with one of ``of_others`` is about somebody else; one that begins with one of ``of_old``, or has one of ``left``
    in it, is about what was. ``slight`` are words of complaints that are no danger, where all other words of the text are
    ``plain``. Each word counts by its beginning, with a full stop behind it as a whole word, several in their order.
    """

    denied: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    of_others: tuple[str, ...] = ()
    of_old: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    slight: tuple[str, ...] = ()
    plain: tuple[str, ...] = ()

    def is_of_others(self, words: Sequence[str]) -> bool:
        """Whether ``words``, of one text, are about somebody else."""
        return _begins(words, self._phrases["of_others"])

    def is_of_old(self, words: Sequence[str]) -> bool:
        """Whether ``words``, of one text, are about what was."""
        return _begins(words, self._phrases["of_old"]) or _stands(words, self._phrases["left"])

    def denies(self, clause: Sequence[str]) -> bool:
        """Whether the words of ``clause`` deny something."""
        return _begins(clause, self._phrases["denied"]) and not _stands(clause, self._phrases["lost"])

    def is_slight(self, words: Sequence[str]) -> bool:
        """Whether ``words``, of one text, name a complaint that is no danger, and nothing else."""
        known = [phrase[0] for name in ("slight", "plain") for phrase in self._phrases[name]]
        return _stands(words, self._phrases["slight"]) and all(
            word.isdigit() or any(each.starts(word) for each in known) for word in words
        )

    @cached_property
    def _phrases(self) -> Mapping[str, tuple[tuple[_Beginning, ...], ...]]:
        return {one.name: _phrases(getattr(self, one.name)) for one in fields(self)}


@dataclass(frozen=True)
class OfOld:
    """How a diagnosis of a fact tells how old it is: by its onset, and without a date on a problem list not at all.

    After ``hours`` it says nothing about now; with ``visits`` that, and no more, holds for what was diagnosed in an encounter and
    stands on no problem list. What is too old a person has to ``look`` up.
    """

    hours: float | None = None
    visits: bool = False
    look: bool = False


@dataclass(frozen=True)
class Episode:
    """What belongs to one injury.

    A record of ``injuries`` with a yes or a number begins one, unless another stands before it within ``gap_hours``; ``hours``
    is the fact that counts since when. ``answers`` of an earlier injury say nothing about this one (None: whatever the value).
    """

    gap_hours: float = 0
    hours: str | None = None
    injuries: tuple[str, ...] = ()
    answers: Mapping[str, tuple[FactValue, ...] | None] = field(default_factory=dict)

    def is_injury(self, fact: str, value: FactValue) -> bool:
        """Whether ``value`` of ``fact`` says that there was an injury."""
        return fact in self.injuries and value is not False

    def binds(self, fact: str, value: FactValue) -> bool:
        """Whether ``value`` of ``fact`` is an answer about one injury."""
        if fact not in self.answers:
            return False
        answers = self.answers[fact]
        return answers is None or value in answers


class _Beginning(NamedTuple):
    """How a word begins, or with ``whole`` the word itself."""

    text: str
    whole: bool

    @classmethod
    def of(cls, written: str) -> _Beginning:
        return cls(written.removesuffix("."), written.endswith("."))

    def starts(self, word: str) -> bool:
        return word == self.text if self.whole else word.startswith(self.text)


@dataclass(frozen=True)
class NeckWord:
    """A text with ``word`` is about the neck or another danger, ``unless`` one of those words stands in it too.

    ``only_with``: it is only beside one of these (empty: always), or with ``alone`` where it says nothing else. Each counts by
    the beginning of a word of the text, with a full stop behind it as a whole word, and several (``lie flat``) in their order.
    All in lower case, without accents. ``device`` is the fact that a device of that name is in place.
    """

    word: str
    unless: tuple[str, ...] = ()
    only_with: tuple[str, ...] = ()
    alone: bool = False
    device: str | None = None

    @cached_property
    def first(self) -> str:
        """How the first word of ``word`` begins."""
        return _Beginning.of(self.word.split()[0]).text

    @cached_property
    def _phrases(self) -> tuple[tuple[tuple[_Beginning, ...], ...], ...]:
        return tuple(map(_phrases, ((self.word,), self.unless, self.only_with)))

    def found_in(self, words: Sequence[str]) -> bool:
        """Whether ``words`` (of one text, in lower case, without accents, in their order) are about the neck by this word."""
        own, unless, only_with = self._phrases
        if not _stands(words, own) or _stands(words, unless):
            return False
        if not (self.alone or only_with):
            return True
        return (self.alone and len(words) == len(own[0])) or _stands(words, only_with)


def _phrases(written: Sequence[str]) -> tuple[tuple[_Beginning, ...], ...]:
    return tuple(tuple(map(_Beginning.of, phrase.split())) for phrase in written)


def _begins(words: Sequence[str], phrases: tuple[tuple[_Beginning, ...], ...]) -> bool:
    """Whether ``words`` begin with one of ``phrases``."""
    return any(_stands_at(words, 0, phrase) for phrase in phrases)


def _stands_at(words: Sequence[str], start: int, phrase: tuple[_Beginning, ...]) -> bool:
    if start + len(phrase) > len(words):
        return False
    return all(part.starts(words[start + place]) for place, part in enumerate(phrase))


def _stands(words: Sequence[str], phrases: tuple[tuple[_Beginning, ...], ...]) -> bool:
    """Whether one of ``phrases`` stands in ``words``."""
    if not phrases:
        return False
    said = words if isinstance(words, SaidWords) else SaidWords(words)
    return any(said.hold(phrase) for phrase in phrases)


class SaidWords(tuple[str, ...]):
    """The words of a text in their order, in which a phrase is found without looking at each of them."""

    def hold(self, phrase: tuple[_Beginning, ...]) -> bool:
        """Whether ``phrase`` stands among the words."""
        places = self._places(phrase[0])
        return bool(places) if len(phrase) == 1 else any(_stands_at(self, place, phrase) for place in places)

    def _places(self, beginning: _Beginning) -> Sequence[int]:
        """Where words stand that begin so."""
        if beginning.whole:
            return self._by_word.get(beginning.text, ())
        first = bisect_left(self._sorted, beginning.text)
        found: list[int] = []
        for word in islice(self._sorted, first, None):
            if not word.startswith(beginning.text):
                break
            found += self._by_word[word]
        return found

    @cached_property
    def _by_word(self) -> Mapping[str, Sequence[int]]:
        found: dict[str, list[int]] = {}
        for place, word in enumerate(self):
            found.setdefault(word, []).append(place)
        return found

    @cached_property
    def _sorted(self) -> Sequence[str]:
        return sorted(self._by_word)


@dataclass(frozen=True)
class CodeMap:
    """Everything a reading needs to know about codes. Built by ``load_code_map``; immutable.

    ``exact`` and ``prefixes`` map codings (or the beginning of a code) to meanings, ``values`` codings to the value of a coded
    fact. ``neck_words`` and ``neck_codes`` (beginnings of codes) tell what is about the neck or another danger of a collar. The
    value of an Observation that asks one of ``finding_questions`` is what was found, ``parts`` are those of scores,
    ``unread_observations`` tells which Observations of the neck a person has to read, and ``unread_diagnoses`` how the words of
    Conditions and Procedures are taken; one of ``leading_words`` names what may be a fact that goes before a collar. ``of_old``
    says of facts how their diagnoses grow old. ``episode`` is what belongs to one injury, ``elapsing`` the facts that count
    hours since something. ``safer`` maps facts to the value to take where records of one moment contradict each other;
    ``grave`` maps others to the answers that are a danger, the least first, and ``grave_at_most`` numbers to the highest that
    is one. ``texts`` are names of orders that are (True) or are not for a collar, whatever ``collar_words`` make of them;
    ``ignored`` codes are for none either.
    """

    base: str
    vocabulary: Vocabulary
    exact: Mapping[CodingKey, tuple[Meaning, ...]]
    prefixes: Mapping[CodingKey, tuple[Meaning, ...]]
    values: Mapping[tuple[str, CodingKey], FactValue]
    yes: frozenset[CodingKey]
    no: frozenset[CodingKey]
    gender: Mapping[str, str]
    settings: Mapping[CodingKey, str]
    setting_words: Mapping[NeckWord, str]
    collars: Mapping[CodingKey, Collar]
    collar_codes: frozenset[CodingKey]
    texts: Mapping[str, bool]
    collar_words: CollarWords
    ignored: frozenset[CodingKey]
    neck_words: tuple[NeckWord, ...]
    neck_codes: frozenset[CodingKey]
    units: Mapping[str, str]
    counted: Mapping[str, tuple[str, ...]]
    finding_questions: frozenset[CodingKey]
    parts: Mapping[CodingKey, ScorePart]
    unread_observations: UnreadObservations
    unread_diagnoses: UnreadDiagnoses
    leading_words: Mapping[str, tuple[NeckWord, ...]]
    of_old: Mapping[str, OfOld]
    episode: Episode
    elapsing: frozenset[str]
    safer: Mapping[str, FactValue]
    grave: Mapping[str, tuple[FactValue, ...]]
    grave_at_most: Mapping[str, float]

    same_within_percent: float
    future_tolerance_minutes: float
    stale_danger_hours: float

    def with_collars(self, stocked: Mapping[CodingKey, Collar]) -> CodeMap:
        """This map, in which the codes of ``stocked`` mean collars too; what it says of a code itself stands."""
        added = {coding: collar for coding, collar in stocked.items() if coding not in self.ignored}
        return replace(self, collars={**added, **self.collars})

    @cached_property
    def hash(self) -> str:
        """SHA-256 of all codes: the same for the same files in every process. The vocabulary is the ruleset's to hash."""
        content = {one.name: _ordered(getattr(self, one.name)) for one in fields(self) if one.name != "vocabulary"}
        return hashlib.sha256(json.dumps(content).encode()).hexdigest()

    @cached_property
    def prefix_lengths(self) -> Mapping[str, tuple[int, ...]]:
        """How long, in characters, the beginnings of codes are that mean something, by system, the longest first."""
        found: dict[str, set[int]] = {}
        for system, beginning in self.prefixes:
            found.setdefault(system, set()).add(len(beginning))
        return {system: tuple(sorted(lengths, reverse=True)) for system, lengths in found.items()}

    def neck_words_for(self, words: Sequence[str]) -> Iterator[NeckWord]:
        """Those of ``neck_words`` that begin as some word of ``words`` does: the only ones that may be found in them."""
        by_beginning, lengths = self._by_beginning
        begun = {word[:length] for word in set(words) for length in lengths}
        for beginning in begun & by_beginning.keys():
            yield from by_beginning[beginning]

    @cached_property
    def _by_beginning(self) -> tuple[Mapping[str, tuple[NeckWord, ...]], tuple[int, ...]]:
        """``neck_words`` by how their first word begins, and the lengths of these beginnings."""
        found: dict[str, tuple[NeckWord, ...]] = {}
        for word in self.neck_words:
            found[word.first] = (*found.get(word.first, ()), word)
        return found, tuple(sorted(set(map(len, found))))

    @cached_property
    def neck_systems(self) -> frozenset[str]:
        """The code systems of ``neck_codes``."""
        return frozenset(coding.system for coding in self.neck_codes)

    @cached_property
    def own_facts(self) -> str:
        """The system of the project's own fact codes."""
        return Canonicals(self.base).code_system(FACTS)

    @cached_property
    def own_values(self) -> str:
        """The system of the project's own codes for the values of coded facts."""
        return Canonicals(self.base).code_system(FACT_VALUES)

    def dangers(self, fact: FactDefinition) -> tuple[FactValue, ...]:
        """The answers to ``fact`` that are not taken for gone while they may still be so; of a number none.

        Where nothing says which are a danger it is a yes, and any code.
        """
        known = [self.safer[fact.name]] if fact.name in self.safer else []
        known += [*(fact.danger.answers if fact.danger else ()), *(fact.lasting.answers if fact.lasting else ())]
        if known or fact.numeric:
            return tuple(dict.fromkeys(known))
        return fact.values if fact.type == "code" else (True,)

    def setting_in_words(self, said: str) -> str | None:
        """The setting that the name of a place, ``said``, says (``Surgical ICU bed 4``); None where it says none, or several."""
        words = folded_words_of(said[:_LONGEST])
        found = {setting for word, setting in self.setting_words.items() if word.found_in(words)}
        return next(iter(found)) if len(found) == 1 else None

    def may_be_grave(self, fact: FactDefinition) -> bool:
        """Whether there is a value of ``fact`` that is a danger."""
        return fact.name in self.grave_at_most or bool(self._grave_answers(fact))

    def gravity(self, fact: FactDefinition, value: FactValue) -> float:
        """How grave ``value`` of ``fact`` is, as a number: 0 where it is no danger, else the more, the graver.

        Of a measurement that is grave when low it is 1 at the highest grave value, and 1 more for each unit of the fact
        below.
        """
        if fact.numeric:
            highest = self.grave_at_most.get(fact.name, -math.inf)
            return 1 + highest - float(value) if float(value) <= highest else 0
        answers = self._grave_answers(fact)
        if value not in answers:
            return 0
        return 1 + self.grave[fact.name].index(value) if fact.name in self.grave else 1

    def _grave_answers(self, fact: FactDefinition) -> tuple[FactValue, ...]:
        known = [self.safer[fact.name]] if fact.name in self.safer else []
        return self.grave.get(fact.name) or (*known, *(fact.danger.answers if fact.danger else ()))

    def meanings(self, codings: Sequence[CodingKey]) -> tuple[Meaning, ...]:
        """What ``codings`` (of one concept) say, each meaning once; empty where the map knows none of them."""
        if len(codings) == 1:
            return self._meanings(codings[0])
        found: dict[Meaning, None] = {}
        for coding in codings:
            found.update(dict.fromkeys(self._meanings(coding)))
        return tuple(found)

    def _meanings(self, coding: CodingKey) -> tuple[Meaning, ...]:
        exact = self.exact.get(coding)
        if exact is not None:
            return exact
        for length in self.prefix_lengths.get(coding.system, ()):
            found = self.prefixes.get(CodingKey(coding.system, coding.code[:length]))
            if found is not None:
                return tuple(meaning for meaning in found if meaning.is_said_by(coding.code))
        return ()

    def finding(self, observation: Mapping[str, Any]) -> object:
        """What was found, where ``observation`` asks just that: its coded value, if the map knows it; else None."""
        found = observation.get("valueCodeableConcept")
        if found is None or not self.meanings(codings_of(found)):
            return None
        asked = codings_of(observation.get("code"))
        return found if any(coding in self.finding_questions for coding in asked) else None

    def collar(self, concept: object) -> Collar | None:
        """The collar that the CodeableConcept ``concept`` means, by its codes, else by its words; None where it means none."""
        return self._coded(concept) or self._worded(self._said(concept))

    def collar_look_alike(self, concept: object) -> str | None:
        """The words of ``concept`` where they are about a neck collar, or may be, and are not read as an order of one."""
        said = {} if self._coded(concept) else self._said(concept)
        if self._worded(said):
            return None
        found = next((words for words, verdict in said.items() if verdict in ("look_alike", "order")), None)
        return found or (None if said or self._coded(concept) else self._coded_alike(concept))

    def _coded_alike(self, concept: object) -> str | None:
        """The code of ``concept`` that begins like those of neck collars, where no word says what it is."""
        if texts_of(concept):
            return None
        for coding in codings_of(concept):
            if coding not in self.ignored and any(
                CodingKey(coding.system, coding.code[:length]) in self.collar_codes
                for length in range(1, len(coding.code) + 1)
            ):
                return coding.code
        return None

    def device_named(self, said: str) -> str | None:
        """The fact that a device is in place which the text ``said`` names, other than a collar; else None."""
        words = folded_words_of(said[:_LONGEST])
        return next((word.device for word in self.device_words if word.found_in(words)), None)

    @cached_property
    def device_words(self) -> tuple[NeckWord, ...]:
        """The words that name a device which is a fact."""
        return tuple(word for word in self.neck_words if word.device is not None)

    def collar_removed(self, concept: object) -> str | None:
        """The words of ``concept`` where all that name a neck collar, or the like, say that it came off; else None."""
        said = {} if self._coded(concept) else self._said(concept)
        if said and all(map(self.collar_words.is_removal, said)):
            return next(iter(said))
        return None

    def _coded(self, concept: object) -> Collar | None:
        for coding in codings_of(concept):
            found = self.collars.get(coding) or self.collars.get(CodingKey(coding.system, ANY_CODE))
            if found is not None:
                return found
        return None

    def _worded(self, said: Mapping[str, Verdict]) -> Collar | None:
        if said and all(verdict == "order" for verdict in said.values()):
            named = next(iter(said))
            return Collar(self.collar_words.kind(named), named)
        return None

    def _said(self, concept: object) -> dict[str, Verdict]:
        """Each text of ``concept`` that names a device of the kind, with what it is; none where codes or the site say it."""
        if any(coding in self.ignored or coding.system.startswith(self._own) for coding in codings_of(concept)):
            return {}
        said = texts_of(concept)
        decided = [self.texts.get(as_compared(words)) for words in said]
        if False in decided:
            return {}
        if True in decided:
            return {said[decided.index(True)]: "order"}
        found = {words: self.collar_words.verdict(words) for words in said}
        return {words: verdict for words, verdict in found.items() if verdict != "nothing"}

    @cached_property
    def _own(self) -> str:
        return Canonicals(self.base).code_system("")

    def is_collar_order(self, resource: object) -> bool:
        """Whether ``resource`` orders a rigid neck collar, or that the neck be kept still.

        A ServiceRequest or DeviceRequest of any status, by the codes and words of the map; never one that forbids, or may.
        """
        if not isinstance(resource, dict) or not is_to_be_done(resource):
            return False
        return any(self.collar(concept) is not None for concept in ordered_concepts(resource))

    def order_look_alike(self, resource: object) -> str | None:
        """The words of the order ``resource``, where it is or may be about a neck collar and is not read as a collar order.

        None for any other. What would be a collar order but has another form than R4 gives it, or may forbid what it names, is
        about one too.
        """
        concepts = ordered_concepts(resource)
        if isinstance(resource, dict) and is_to_be_done(resource) is None:
            return next(filter(None, map(self._like_a_collar, concepts)), None)
        if any(self.collar(concept) is not None for concept in concepts):
            return None
        alike = next(filter(None, map(self.collar_look_alike, concepts)), None)
        return alike or next(filter(None, map(self._like_a_collar, _oddly_formed(resource))), None)

    def _like_a_collar(self, concept: object) -> str | None:
        """The words, or the code, of ``concept`` where it means a collar or may."""
        if self.collar(concept) is not None:
            return next(iter(texts_of(concept)), None) or " ".join(coding.code for coding in codings_of(concept))
        return self.collar_look_alike(concept)


def ordered_concepts(resource: object) -> list[object]:
    """What a ServiceRequest or a DeviceRequest orders, as concepts; none where ``resource`` is neither, or forbids it.

    A DeviceRequest may name a Device instead of a code: it counts by the words of the reference, and by what the Device that the
    order contains is called.
    """
    if not isinstance(resource, dict) or is_to_be_done(resource) is False:
        return []
    kind = str(resource.get("resourceType"))
    concept = resource.get(_ORDER_CODES.get(kind, ""))
    found: list[object] = [] if concept is None else [concept]
    if kind == "DeviceRequest":
        device = mapping(resource, "codeReference")
        display, reference = text(device, "display"), text(device, "reference") or ""
        found.extend([{"text": display}] if display else [])
        held = (one for one in items(resource, "contained") if reference == f"#{text(one, 'id')}")
        found.extend(islice((name for one in held for name in device_names(one)), _MOST_NAMES))
    return found


def _oddly_formed(resource: object) -> Iterator[Mapping[str, Any]]:
    """What an order says that it is for, in a form that R4 does not know: as a text, in a list, as R5 has it (``concept``)."""
    if not isinstance(resource, dict) or is_to_be_done(resource) is False:
        return
    for key in _ORDER_CODES.values() if resource.get("resourceType") in _ORDER_CODES else ():
        written = resource.get(key)
        for one in written if isinstance(written, list) else [written]:
            if isinstance(one, str):
                yield {"text": one}
            elif isinstance(one, dict):
                inner = one.get("concept", one)
                if isinstance(inner, dict):
                    coding, said = inner.get("coding"), inner.get("text")
                    yield {"coding": [coding] if isinstance(coding, dict) else coding, "text": _first_text(said)}


def _first_text(said: object) -> object:
    return next((one for one in said if isinstance(one, str)), None) if isinstance(said, list) else said


def device_names(device: object) -> Iterator[Mapping[str, Any]]:
    """What the Device resource ``device`` is called, each as a concept: its type, and its names."""
    type_of = mapping(device, "type")
    if texts_of(type_of) or codings_of(type_of):
        yield type_of
    for name in items(device, "deviceName"):
        said = text(name, "name")
        if said:
            yield {"text": said}


def as_compared(said: str) -> str:
    """``said`` as names of orders are compared: without case, with single blanks."""
    return " ".join(said.casefold().split())


def texts_of(concept: object) -> list[str]:
    """The text and the displays of the CodeableConcept ``concept``, each once; whatever is malformed is left out.

    Together no more than ``LONGEST_SAID`` characters of them, so that a text which nobody would write costs no more than a long
    one. ``is_cut`` tells.
    """
    if not isinstance(concept, dict):
        return []
    if "coding" not in concept:
        said = text(concept, "text")
        return [] if said is None else [said[:LONGEST_SAID]]
    several = dict.fromkeys(filter(None, _every_text(concept)))
    if sum(map(len, several)) <= LONGEST_SAID:
        return list(several)
    kept, room = [], LONGEST_SAID
    for said in several:
        kept.append(said[:room])
        room -= len(kept[-1])
        if not room:
            break
    return kept


def is_cut(concept: object) -> bool:
    """Whether the CodeableConcept ``concept`` says more than is looked at (``texts_of``)."""
    if not isinstance(concept, dict):
        return False
    return sum(map(len, dict.fromkeys(filter(None, _every_text(concept))))) > LONGEST_SAID


def _every_text(concept: object) -> Iterator[str | None]:
    yield text(concept, "text")
    for coding in items(concept, "coding"):
        yield text(coding, "display")


def codings_of(concept: object) -> Sequence[CodingKey]:
    """The complete codings of the CodeableConcept ``concept``; whatever is malformed is left out."""
    codings = concept.get("coding") if isinstance(concept, dict) else None
    return [coding for coding in map(coding_of, codings) if coding is not None] if isinstance(codings, list) else []


def coding_of(coding: Any) -> CodingKey | None:
    """``coding`` (FHIR Coding) as a pair, or None where system or code is missing or malformed."""
    if not isinstance(coding, dict):
        return None
    system, code = coding.get("system"), coding.get("code")
    return as_listed(system, code) if isinstance(system, str) and isinstance(code, str) else None


def seventh_character(code: str) -> str:
    """The seventh character of ``code`` in ICD-10-CM, which has its point (``S12.110S``: S); empty where it has none."""
    return code[7:8]


def as_listed(system: str, code: str) -> CodingKey:
    """``code`` of ``system`` as the code map has it, by whatever address the system is called; ICD-10 with its point."""
    system = _OTHER_ADDRESSES.get(system, system)
    if system in (ICD_10_CM, ICD_10) and len(code) > 3 and "." not in code:
        code = f"{code[:3]}.{code[3:]}"
    return CodingKey(system, code)


def _ordered(value: object) -> object:
    """``value`` as plain JSON values in an order of their own: a set's order differs from process to process."""
    if isinstance(value, Mapping):
        return sorted(([_ordered(key), _ordered(inner)] for key, inner in value.items()), key=json.dumps)
    if isinstance(value, frozenset):
        return sorted(map(_ordered, value), key=json.dumps)
    if isinstance(value, tuple):
        return [_ordered(inner) for inner in value]
    if is_dataclass(value) and not isinstance(value, type):
        return _ordered(asdict(value))
    return value
