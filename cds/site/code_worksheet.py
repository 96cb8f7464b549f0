"""The code mapping worksheet: for each fact that rules read, and for collar orders, which codes say it and how sure they are."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import IO, Literal, NamedTuple, TypeAlias

from cds.fhir.reading.code_map import CodeMap, CodingKey, Collar, Meaning
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

Status: TypeAlias = Literal["yours", "read", "confirm", "none"]

STATUS_WORDS: dict[Status, str] = {
    "yours": "mapped in your file",
    "read": "shipped, read in a published source",
    "confirm": "shipped from memory: confirm it in your terminology, then copy it to your file",
    "none": "no code but ours: add yours",
}


class WorksheetRow(NamedTuple):
    """One line of the worksheet: what is asked, and one code that says it; without a code where there is none but ours.

    ``kind`` is ``fact`` or ``collar order``, ``rules`` how many rules read it.
    """

    kind: str
    name: str
    meaning: str
    accepted: str
    unit: str
    rules: int
    our_code: str
    system: str
    code: str
    says: str
    display: str
    status: Status


HEADS = (*WorksheetRow._fields, "what to do", "your system", "your code", "your display")


def worksheet(ruleset: Ruleset, code_map: CodeMap) -> list[WorksheetRow]:
    """All rows: collar orders, then the facts that rules of ``ruleset`` read, those read by most rules first.

    The codes are those of ``code_map``.
    """
    asked = [fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"]
    counted = [(sum(fact.name in rule.reads for rule in ruleset.rules.values()), fact) for fact in asked]
    counted = sorted((each for each in counted if each[0]), key=lambda each: (-each[0], each[1].name))
    return [*_collars(code_map), *(row for rules, fact in counted for row in _of_fact(fact, rules, code_map))]


def missing(rows: Sequence[WorksheetRow]) -> list[str]:
    """What is still to be done in ``rows``, as sentences; empty where every fact and order has a code that is sure."""
    surest = {name: min((row.status for row in rows if row.name == name), key=_SURE.index) for name in _names(rows)}
    of = Counter(surest.values())
    unsure = sum(row.status == "confirm" for row in rows)
    said = []
    if of["none"]:
        said.append(f"{of['none']} of {len(surest)} have no code but ours: record with ours, or add yours.")
    if unsure:
        said.append(f"{unsure} shipped codes are from memory: confirm them ({of['confirm']} facts have no surer one).")
    return said


def write(rows: Iterable[WorksheetRow], file: IO[str]) -> None:
    """``rows`` as CSV with a head line (RFC 4180), written to ``file``."""
    out = csv.writer(file)
    out.writerow(HEADS)
    out.writerows((*row, STATUS_WORDS[row.status], "", "", "") for row in rows)


_SURE: tuple[Status, ...] = ("yours", "read", "confirm", "none")


def _names(rows: Iterable[WorksheetRow]) -> list[str]:
    return list(dict.fromkeys(row.name for row in rows))


def _status(entry: Meaning | Collar) -> Status:
    if entry.local:
        return "yours"
    return "confirm" if entry.from_memory else "read"


def _of_fact(fact: FactDefinition, rules: int, code_map: CodeMap) -> list[WorksheetRow]:
    asked = ("fact", fact.name, " ".join(fact.meaning.split()), fact.accepted, fact.unit or "", rules, fact.code)
    rows = [
        WorksheetRow(
            *asked, coding.system, written, str("" if said.value is None else said.value), said.display, _status(said)
        )
        for coding, written, said in _meanings(code_map)
        if said.fact == fact.name
    ]
    return rows or [WorksheetRow(*asked, "", "", "", "", "none")]


def _meanings(code_map: CodeMap) -> Iterator[tuple[CodingKey, str, Meaning]]:
    """Each code of another system with what it says; a beginning of codes is written with a star."""
    for table, star in ((code_map.exact, ""), (code_map.prefixes, "*")):
        for coding, meanings in table.items():
            if coding.system != code_map.own_facts:
                yield from ((coding, coding.code + star, meaning) for meaning in meanings)


def _collars(code_map: CodeMap) -> list[WorksheetRow]:
    asked = (
        "collar order",
        "collar order",
        "an order of a rigid neck collar, or that the neck be kept still",
        "",
        "",
        0,
    )
    outside = [(key, collar) for key, collar in code_map.collars.items() if not key.system.startswith(code_map.base)]
    rows = [
        WorksheetRow(*asked, "", key.system, key.code, collar.kind or "", collar.display, _status(collar))
        for key, collar in outside
    ]
    named = [words for words, is_one in code_map.texts.items() if is_one]
    rows += [WorksheetRow(*asked, "", "", "", "", words, "yours") for words in named]
    return rows or [WorksheetRow(*asked, "", "", "", "", "", "none")]
