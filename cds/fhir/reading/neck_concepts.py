"""Tells whether a concept is about neck, spine, airway or another danger of a collar, by its words and how its code begins.

So a record of which the code map knows nothing is listed as unread where it could matter, and never dropped in silence. Words
are compared without accents, and ``#`` before or behind a word is what a surgeon means by it: a fracture.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from cds.fhir.free_text.words import folded_words_of
from cds.fhir.json_access import items, mapping, text
from cds.fhir.reading.code_map import CodeMap, CodingKey, coding_of, codings_of, texts_of

_NEEDS_A_LOOK = frozenset({"component", "valueCodeableConcept", "valueString", "bodySite"})
"""Elements of an Observation that have codes of their own."""
_LONGEST = 300
"""Characters of a text that are looked at where a value should stand."""
_MOST_TEXTS, _MOST_PARTS = 3, 500
_WORDED = frozenset(
    {"text", "display", "conclusion", "description", "summary", "detail", "comment", "instruction", "title"}
)
"""Elements that hold words in resources of other types."""
_FRACTURE = re.compile(r"[#＃](?!\s*\d)")
"""Before a number the sign only counts."""


def is_about_the_neck(concept: object, code_map: CodeMap) -> bool:
    """Whether the CodeableConcept ``concept`` is about neck, spine, airway or another danger: by its words or a code."""
    return any(_code_is(coding, code_map) for coding in codings_of(concept)) or any(
        words_are_about_the_neck(said, code_map) for said in texts_of(concept)
    )


def words_are_about_the_neck(said: str, code_map: CodeMap) -> bool:
    """Whether the words of ``said`` are about neck, spine, airway or another danger of a collar."""
    return _words_are(folded_words_of(_FRACTURE.sub(" fracture ", said)), code_map)


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
        ) and not is_about_the_neck(code, code_map)


def unread_concepts(resource: Mapping[str, Any], code_map: CodeMap) -> Iterator[str]:
    """The concepts of ``resource`` (Condition, Procedure, Observation) about the neck that no fact is mapped to, in words.

    Read are code, the codes of components, and body sites; a coded value counts with the code that it answers.
    """
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
        if found or any(one and is_about_the_neck(one, code_map) for one in asked):
            yield ", ".join(dict.fromkeys(filter(None, map(_shortest_name, asked))))


def finds_a_danger(observation: Mapping[str, Any], code_map: CodeMap) -> bool:
    """Whether the value of ``observation``, or of a component, names something of the neck or another danger, as of now.

    Not where it is denied ("no stridor"), nor where the question is about something else than now (the family's history).
    """
    rules = code_map.unread_observations
    for holder in (observation, *items(observation, "component")):
        asked = [word for said in texts_of(mapping(holder, "code")) for word in folded_words_of(said)]
        if any(word.startswith(rules.not_of_now) for word in asked):
            continue
        for value in _values(holder):
            denied = any(word in rules.denied for said in texts_of(value) for word in folded_words_of(said))
            if not denied and (is_about_the_neck(value, code_map) or code_map.meanings(codings_of(value))):
                return True
    return False


def words_about_the_neck(resource: Mapping[str, Any], code_map: CodeMap) -> str | None:
    """What ``resource``, of a type that is not read, says about the neck or another danger; None where it says nothing.

    Its code and its own words, in one text; who or what it refers to does not count.
    """
    said = list(dict.fromkeys(_said(resource)))
    codes = any(is_about_the_neck(concept, code_map) for concept in _concepts(resource))
    if not codes and not any(words_are_about_the_neck(words[:_LONGEST], code_map) for words in said):
        return None
    return ": ".join(said[:_MOST_TEXTS]) or "a code alone"


def _concepts(resource: Mapping[str, Any]) -> Iterator[object]:
    for key in ("code", "conclusionCode", "reasonCode", "procedureCode"):
        yield from (resource[key] if isinstance(resource.get(key), list) else [resource.get(key)])


def _said(value: object) -> Iterator[str]:
    """The words of a resource, from the outside in, without those of its narrative and of what it refers to."""
    waiting = [value]
    for _ in range(_MOST_PARTS):
        if not waiting:
            return
        one = waiting.pop(0)
        if isinstance(one, list):
            waiting.extend(one)
        elif isinstance(one, dict) and "reference" not in one and "div" not in one:
            for key, inner in one.items():
                if isinstance(inner, str) and key in _WORDED and inner.strip():
                    yield inner.strip()
                elif isinstance(inner, (dict, list)) and key not in ("contained", "extension", "meta"):
                    waiting.append(inner)


def _values(holder: object) -> Iterator[Mapping[str, Any]]:
    """The value of an Observation or a component as a concept, where it is coded or a short text."""
    coded, said = mapping(holder, "valueCodeableConcept"), text(holder, "valueString")
    if coded:
        yield coded
    if said is not None:
        yield {"text": said[:_LONGEST]}


def _shortest_name(concept: object) -> str:
    return next(iter(texts_of(concept)), None) or " ".join(coding.code for coding in codings_of(concept))


def _words_are(words: Sequence[str], code_map: CodeMap) -> bool:
    # Most texts begin no word like any of these, which is told at once.
    return any(word.startswith(code_map.neck_stems) for word in words) and any(
        word.found_in(words) for word in code_map.neck_words
    )


def _code_is(coding: CodingKey, code_map: CodeMap) -> bool:
    return coding.system in code_map.neck_systems and any(
        CodingKey(coding.system, coding.code[:length]) in code_map.neck_codes
        for length in range(1, len(coding.code) + 1)
    )
