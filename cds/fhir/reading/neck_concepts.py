"""Tells whether a concept is about neck, spine, airway or another danger of a collar, by its words and how its code begins.

So a record of which the code map knows nothing is listed as unread where it could matter, and never dropped in silence. Words
are compared without accents, and ``#`` before or behind a word is what a surgeon means by it: a fracture.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from cds.fhir.free_text.words import folded_words_of
from cds.fhir.json_access import items, mapping, text
from cds.fhir.reading.code_map import (
    ICD_10,
    ICD_10_CM,
    CodeMap,
    CodingKey,
    SaidWords,
    coding_of,
    codings_of,
    is_cut,
    seventh_character,
    texts_of,
)

_NEEDS_A_LOOK = frozenset({"component", "valueCodeableConcept", "valueString", "bodySite"})
"""Elements of an Observation that have codes of their own."""
_MOST_TEXTS, _MOST_PARTS = 3, 500
_LONGEST_REPORT = 20_000
"""Characters that are looked at of all the texts of one resource of another type: a long report has half as many."""
TOO_LONG = "its words are longer than any name, and only their beginning was looked at: read it yourself"
_WORDED = frozenset(
    {"text", "display", "conclusion", "description", "summary", "detail", "comment", "instruction", "title"}
)
"""Elements that hold words in resources of other types."""
_FRACTURE = re.compile(r"[#＃](?!\s*\d)")
"""Before a number the sign only counts."""
_LEVEL = re.compile(r"\b([Cc])[\s\-\u2010\u2011]([1-7])\b")
"""A vertebra of the neck, however it is written: C2, C-2, C 2."""
_CLAUSES = re.compile(r"[.:]\s|[,;!?()]|\s(?:but|and)\s", re.IGNORECASE)
"""What parts a text into clauses, each of which may deny something."""


def is_about_the_neck(concept: object, code_map: CodeMap, *, stated: bool = False) -> bool:
    """Whether the CodeableConcept ``concept`` is about neck, spine, airway or another danger: by its words or a code.

    The words are those of ``code_map``. Of what is ``stated``, as a diagnosis is, words do not count that deny or are
    about the family.
    """
    words = (_affirmed(said, code_map) if stated else _words_of(said) for said in texts_of(concept))
    return any(_code_is(coding, code_map) for coding in codings_of(concept)) or any(
        _words_are(said, code_map) for said in words
    )


def words_are_about_the_neck(said: str, code_map: CodeMap) -> bool:
    """Whether the words of ``said`` are, by ``code_map``, about neck, spine, airway or another danger of a collar."""
    return _words_are(_words_of(said), code_map)


class SilentObservations:
    """Tells at once for what most observations are, results of the laboratory, that nothing in them is for us.

    For one reading, in which the same concept comes again and again; what was found of it is kept meanwhile.
    """

    def __init__(self, code_map: CodeMap) -> None:
        """By ``code_map``; nothing is found yet."""
        self._code_map = code_map
        self._found: dict[tuple[object, ...], bool] = {}

    def say_nothing(self, observation: Mapping[str, Any]) -> bool:
        """Whether ``observation`` has complete codes, none mapped to a fact, and nothing in it is about the neck.

        False where a closer look is needed.
        """
        code = observation.get("code")
        written = code.get("coding") if isinstance(code, dict) else None
        if (
            not isinstance(code, dict)
            or not isinstance(written, list)
            or not written
            or not _NEEDS_A_LOOK.isdisjoint(observation)
        ):
            return False
        if len(written) > 1 or not isinstance(written[0], dict):
            return self._says_nothing(code, written)
        (coding,) = written
        key = (coding.get("system"), coding.get("code"), coding.get("display"), code.get("text"))
        try:
            found = self._found.get(key)
        except TypeError:  # A list or an object where a text should stand.
            return self._says_nothing(code, written)
        if found is None:
            found = self._found[key] = self._says_nothing(code, written)
        return found

    def _says_nothing(self, code: Mapping[str, Any], written: list[Any]) -> bool:
        code_map = self._code_map
        codings = list(map(coding_of, written))
        return not any(
            coding is None
            or coding.system == code_map.own_facts
            or coding in code_map.parts
            or code_map.meanings((coding,))
            for coding in codings
        ) and not (is_about_the_neck(code, code_map) or is_cut(code))


class UnreadConcept(NamedTuple):
    """A concept about the neck or another danger that is mapped to no fact, in its ``words``.

    ``may_be`` is the fact that goes before a collar and that the words may mean, as of now. What is ``slight`` is no danger. Of
    what is ``bare`` nothing tells what it is about: a code of an unknown system, or of one that no list of codes is kept of.
    What is ``cut`` says more than was looked at.
    """

    words: str
    may_be: str | None = None
    slight: bool = False
    bare: bool = False
    cut: bool = False


def unread_concepts(resource: Mapping[str, Any], code_map: CodeMap) -> Iterator[UnreadConcept]:
    """The concepts of ``resource`` (Condition, Procedure, Observation) about the neck that ``code_map`` maps to no fact.

    Read are code, the codes of components, and body sites; a coded value counts with the code that it answers. What a
    diagnosis or an operation denies, and what it says of the family, is not about the patient's neck.
    """
    stated = resource.get("resourceType") in ("Condition", "Procedure")
    if code_map.finding(resource) is not None:
        return
    sites = [resource.get("bodySite"), *items(resource, "bodySite")]
    for holder in (resource, *items(resource, "component")):
        concept = mapping(holder, "code")
        codings = codings_of(concept)
        if code_map.meanings(codings) or any(coding.system == code_map.own_facts for coding in codings):
            continue
        asked = [concept, *_values(holder), *(sites if holder is resource else ())]
        found = any(code_map.meanings(codings_of(value)) for value in _values(holder))
        cut = any(map(is_cut, asked))
        if found or cut or any(one and is_about_the_neck(one, code_map, stated=stated) for one in asked):
            named = ", ".join(dict.fromkeys(filter(None, map(_shortest_name, asked))))
            said = [words for one in asked for words in texts_of(one)]
            slight = stated and not cut and _is_slight(said, codings, code_map)
            yield UnreadConcept(named, may_be(said, codings, code_map), slight, cut=cut)
        elif stated and holder is resource and not any(map(texts_of, asked)) and _tell_nothing(codings, code_map):
            yield UnreadConcept(" ".join(coding.code for coding in codings), bare=True)


def _tell_nothing(codings: Sequence[CodingKey], code_map: CodeMap) -> bool:
    """Whether ``codings``, without words, tell nobody what a record is about: of ICD-10 the chapters of the neck are known."""
    told = (coding.system in (ICD_10_CM, ICD_10) or coding in code_map.ignored for coding in codings)
    return bool(codings) and not any(told)


def complaint(concept: object, code_map: CodeMap) -> UnreadConcept | None:
    """What a CodeableConcept that gives no facts says about the neck or another danger; None where it says nothing of the kind.

    ``concept`` is plain JSON; ``code_map`` tells what is about the neck.
    """
    codings, said = codings_of(concept), texts_of(concept)
    facts = [meaning.fact for meaning in code_map.meanings(codings) if meaning.value is True]
    dangers = [fact for fact in facts if fact in code_map.safer]
    cut = is_cut(concept)
    if not dangers and not cut and not is_about_the_neck(concept, code_map, stated=True):
        return None
    coded = next((fact for fact in facts if fact in code_map.leading_words), None)
    leading = may_be(said, codings, code_map) or coded
    slight = not dangers and not cut and _is_slight(said, codings, code_map)
    return UnreadConcept(_shortest_name(concept), leading, slight, cut=cut)


def may_be(said: Iterable[str], codings: Iterable[CodingKey], code_map: CodeMap) -> str | None:
    """The fact that goes before a collar and that the texts ``said`` of one concept may mean, as of now; None where none.

    ``code_map`` has the words. Not where ``codings`` say by their seventh character that it is what is left of an
    injury (ICD-10-CM guideline I.C.19.a).
    """
    if any(
        coding.system == ICD_10_CM and coding.code[:1] in "ST" and seventh_character(coding.code) == "S"
        for coding in codings
    ):
        return None
    texts = [_affirmed(words, code_map) for words in said]
    if any(code_map.unread_diagnoses.is_of_old(words) for words in texts):
        return None
    together = SaidWords(word for words in texts for word in words)
    for fact, leading in code_map.leading_words.items():
        if any(word.found_in(together) for word in leading):
            return fact
    return None


def _is_slight(said: Sequence[str], codings: Sequence[CodingKey], code_map: CodeMap) -> bool:
    """Whether the texts ``said`` name a complaint that is no danger, and no code says that it is an injury."""
    injured = any(coding.code.startswith("S") and _code_is(coding, code_map) for coding in codings)
    return bool(said) and not injured and all(code_map.unread_diagnoses.is_slight(_words_of(words)) for words in said)


def _affirmed(said: str, code_map: CodeMap) -> list[str]:
    """The words of ``said`` that are said of the patient: without the clauses that deny, and none of what is the family's."""
    rules = code_map.unread_diagnoses
    if rules.is_of_others(_words_of(said)):
        return []
    clauses = map(_words_of, _CLAUSES.split(said))
    return [word for clause in clauses if not rules.denies(clause) for word in clause]


def _words_of(said: str) -> list[str]:
    return folded_words_of(_LEVEL.sub(r"\1\2", _FRACTURE.sub(" fracture ", said)))


def finds_a_danger(observation: Mapping[str, Any], code_map: CodeMap) -> bool:
    """Whether the value of ``observation``, or of a component, names something of the neck or another danger, as of now.

    ``code_map`` has the words. Not where it is denied ("no stridor"), nor where the question is about something else
    than now (the family's history).
    """
    rules = code_map.unread_observations
    for holder in (observation, *items(observation, "component")):
        asked = [word for said in texts_of(mapping(holder, "code")) for word in folded_words_of(said)]
        if any(word.startswith(rules.not_of_now) for word in asked):
            continue
        for value in _values(holder):
            denied = any(denies(said, code_map) for said in texts_of(value))
            if not denied and (is_about_the_neck(value, code_map) or code_map.meanings(codings_of(value))):
                return True
    return False


def denies(said: str, code_map: CodeMap) -> bool:
    """Whether a word of ``said`` denies something by ``code_map``, so that it is no sure word of a danger.

    A report may deny much.
    """
    return any(word in code_map.unread_observations.denied for word in folded_words_of(said))


class ReportWords(NamedTuple):
    """What a resource of a type that is not read says, in one text; ``cut`` where it says more than was looked at."""

    text: str
    cut: bool


def words_about_the_neck(resource: Mapping[str, Any], code_map: CodeMap) -> ReportWords | None:
    """What ``resource``, of a type that is not read, says about the neck or another danger; None where it says nothing.

    Its code and its own words, as ``code_map`` tells them; who or what it refers to does not count.
    """
    said, cut = _said(resource)
    codes = any(is_about_the_neck(concept, code_map) for concept in _concepts(resource))
    if not (codes or cut or any(words_are_about_the_neck(words, code_map) for words in said)):
        return None
    return ReportWords(": ".join(said[:_MOST_TEXTS]) or "a code alone", cut)


def _concepts(resource: Mapping[str, Any]) -> Iterator[object]:
    for key in ("code", "conclusionCode", "reasonCode", "procedureCode"):
        yield from (resource[key] if isinstance(resource.get(key), list) else [resource.get(key)])


def _said(resource: object) -> tuple[list[str], bool]:
    """The words of a resource, each text once, from the outside in, without those of its narrative and of what it refers to.

    And whether it says more than these: so many parts, and so many characters, are looked at.
    """
    waiting: deque[object] = deque([resource])
    said: dict[str, None] = {}
    room = _LONGEST_REPORT
    for _ in range(_MOST_PARTS):
        if not waiting:
            return list(said), False
        one = waiting.popleft()
        if isinstance(one, list):
            waiting.extend(one)
        elif isinstance(one, dict) and "reference" not in one and "div" not in one:
            for key, inner in one.items():
                if isinstance(inner, str) and key in _WORDED and inner.strip():
                    words = inner.strip()
                    if words not in said:
                        said[words[:room]] = None
                        room -= len(words)
                    if room < 0:
                        return list(said), True
                elif isinstance(inner, (dict, list)) and key not in ("contained", "extension", "meta"):
                    waiting.append(inner)
    return list(said), bool(waiting)


def _values(holder: object) -> Iterator[Mapping[str, Any]]:
    """The value of an Observation or a component as a concept, where it is coded or a short text."""
    coded, said = mapping(holder, "valueCodeableConcept"), text(holder, "valueString")
    if coded:
        yield coded
    if said is not None:
        yield {"text": said}


def _shortest_name(concept: object) -> str:
    return next(iter(texts_of(concept)), None) or " ".join(coding.code for coding in codings_of(concept))


def _words_are(words: Sequence[str], code_map: CodeMap) -> bool:
    said = SaidWords(words)
    return any(word.found_in(said) for word in code_map.neck_words_for(said))


def _code_is(coding: CodingKey, code_map: CodeMap) -> bool:
    return coding.system in code_map.neck_systems and any(
        CodingKey(coding.system, coding.code[:length]) in code_map.neck_codes
        for length in range(1, len(coding.code) + 1)
    )
