"""The lines of text in which records are carried from one expression to the next: FHIRPath 2.0 has no tuples and no functions.

A statement is ``AGE TYPE/ID § SYSTEM|CODE § ... ¤ ANSWER VALUE`` without the blanks: the padded age, the label, the codes, and
the value, before which stands whether it is a yes (Y), a no (N) or neither (-). A record of one fact is
``STANDING AGE TYPE/ID = VALUE``: the least of several is the one that counts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from cds.fhir.publishing.fhirpath.condition import text
from cds.fhir.publishing.fhirpath.date_arithmetic import padded_number
from cds.fhir.reading.code_map import CodingKey

CODE, VALUE = "§", "¤"
HEAD = f"substring(0, indexOf('{CODE}'))"
"""Age and label of a statement."""
STATED = f"substring(indexOf('{VALUE}') + 2)"
"""The value of a statement."""
ANSWER = f"substring(indexOf('{VALUE}') + 1, 1)"
MEANS = "substring(indexOf('=') + 1)"
"""The value of a record."""
DAY, NOW, SUSPECTED = (f"{CODE}{mark}{CODE}" for mark in "dns")
"""In a line, before the codes: the moment is a day without a time; what is said is so now, whatever the moment; only suspected."""
WORDED = "words|"
"""Before the words of a concept, among its codes: they count where no code does."""
UNCHANGED = "modifierExtension.empty() and implicitRules.empty()"
ABOVE, USUAL, BELOW = "0", "1", "2"
"""Standings: a date of birth and a location, most records, and diagnoses that were refuted."""


def marked(now: str, day: str) -> str:
    """The mark of a moment behind the label of a line, where ``now``, or else ``day``, holds."""
    return f"iif({now}, '{NOW[1:]}', iif({day}, '{DAY[1:]}', ''))"


def not_older(age: str, hours: float, danger: str) -> str:
    """That the line, whose padded age is ``age``, is of at most ``hours``; a ``danger`` by the last moment that is meant."""
    fresh, of_day = (f"{age} <= '{padded_number(hours * 3600 + more)}'" for more in (0, 86400))
    if danger == "false":
        return fresh
    return f"({fresh} or ((contains('{NOW}') or (contains('{DAY}') and {of_day})) and {danger}))"


def either(values: Iterable[str]) -> str:
    """``values`` as a collection of texts."""
    return "(" + " | ".join(map(text, values)) + ")"


def coded(path: str) -> str:
    """The one coding under ``path`` between two marks, whole or not."""
    return f"{path}.select('{CODE}' & system & '|' & code & '{CODE}')"


def cleaned(path: str) -> str:
    """The text under ``path`` without the marks that part a line."""
    return f"{path}.toString().replace('{CODE}', '?').replace('{VALUE}', '?')"


def codes(codings: str) -> str:
    """The complete codings under the path ``codings``, each with a mark behind it."""
    coding = f"(system & '|' & code).select({cleaned('$this')}) & '{CODE}'"
    return f"{codings}.where(system.exists() and code.exists()).select({coding}).join('')"


def held(line: str, key: CodingKey) -> str:
    """That the text ``line`` holds the code ``key``."""
    return f"{line}.contains({text(f'{CODE}{key.system}|{key.code}{CODE}')})"


def worded(line: str, key: CodingKey) -> str:
    """That the text ``line`` holds the code of ``key`` as the words beside codes."""
    return f"{line}.contains({text(f'{CODE}{WORDED}{key.code}{CODE}')})"


def begun(
    line: str,
    key: CodingKey,
    others: Iterable[CodingKey],
    not_seventh: Sequence[str] = (),
    apart: Iterable[CodingKey] = (),
) -> str:
    """That the text ``line`` holds a code that begins like ``key``, not like one of ``others``, and is none of ``apart``.

    Without those of ICD-10-CM whose seventh character is one of ``not_seventh``.
    """
    without = "".join(
        f".replace({text(f'{CODE}{other.system}|{other.code}')}, '{CODE}')"
        for other in sorted(others, key=lambda other: -len(other.code))
    )
    without += "".join(
        f".replace({text(f'{CODE}{other.system}|{other.code}{CODE}')}, '{CODE}')" for other in sorted(apart)
    )
    places = 6 - len(key.code.replace(".", ""))
    if not_seventh:
        point = "[.]?" if "." not in key.code else ""
        rest = f"{point}[0-9A-Z]{{{places}}}[{''.join(not_seventh)}]"
        pattern = f"{CODE}{_quoted(f'{key.system}|{key.code}')}{rest}"
        without += f".replaceMatches({text(pattern)}, '{CODE}')"
    return f"{line}{without}.contains({text(f'{CODE}{key.system}|{key.code}')})"


def _quoted(words: str) -> str:
    """``words`` as a regular expression, whose signs stand in brackets: a backslash is one more for every language."""
    return re.sub(r"[.|+*?()]", r"[\g<0>]", words)


def least(lines: str) -> str:
    """The least of the texts ``lines``; empty where there is none."""
    return f"{lines}.aggregate(iif($total.empty() or $this < $total, $this, $total))"


def greatest(lines: str) -> str:
    """The greatest of the texts ``lines``; empty where there is none."""
    return f"{lines}.aggregate(iif($total.empty() or $this > $total, $this, $total))"


def referred(reference: str, kind: str) -> str:
    """The reference under the path ``reference`` as ``KIND/ID`` (the type ``kind``), whatever server and version it names."""
    relative = f"('/' & toString()).select(iif(contains('/{kind}/'), substring(indexOf('/{kind}/') + 1), substring(1)))"
    return f"{reference}.select({relative}).select(iif(contains('/_history/'), substring(0, indexOf('/_history/')), $this))"


def names(kind: str) -> str:
    """What ``referred`` gives of a reference to the resource of the type ``kind`` in ``$this``."""
    return f"(('{kind}/' & id) | ('urn:uuid:' & id))"
