"""JSON, read strictly: what two readers could understand differently is refused, not guessed.

Refused are: text that is not UTF-8, a key given twice, NaN and infinite numbers, half of a
surrogate pair, integers beyond 64 bits, nesting deeper than any FHIR resource needs, and more values than a large
bundle has.

A fast reader goes first, and its value is looked over for what it lets pass. Where there is a doubt the slow and exact reader
decides, and says why it refuses.
"""

from __future__ import annotations

import json
import math
import re
from functools import partial
from typing import Any

import orjson
from anyio import CapacityLimiter, to_thread

DEEPEST = 100
"""Nested objects and lists that are accepted; real bundles stay well under 30."""
MOST_RESOURCES = 10_000
"""FHIR resources that are accepted in the body of one call: a bundle of 5,000 has to be answered."""
MOST_VALUES = 750_000
"""Values in one text, about: its commas and opening brackets. A bundle of 10,000 observations has half as many. Each takes some
hundred bytes of memory, however few it takes in the text."""
SMALL_BYTES = 32_768
"""A longer text is not read on the event loop, where it would hold everybody up."""
_LONGEST_NUMBER = 64
_MOST_INTEGER_BITS = 64
_ONE_BODY_AT_A_TIME, _ONE_ANSWER_AT_A_TIME = CapacityLimiter(1), CapacityLimiter(1)

_NO_BRACKETS = bytes(set(range(256)) - set(b'[]{}"'))
_PLAIN = frozenset({str, int, bool, type(None)})
_COLON = re.compile(rb'"[ \t\r\n]*:')
_SPACED = (b" :", b"\t:", b"\r:", b"\n:")
_INEXACT = 2.0**63
"""From here on the fast reader may have made a decimal of a whole number that does not fit 64 bits."""


class JsonProblem(ValueError):
    """The text is not JSON that can be used. The message says why."""


def parse(body: bytes, *, most_resources: int | None = None) -> Any:
    """The JSON value in ``body``. Raises JsonProblem.

    Where ``most_resources`` is given, more than that number of FHIR resources is refused.
    """
    if len(body) > MOST_VALUES and sum(map(body.count, (b",", b"[", b"{"))) > MOST_VALUES:
        raise JsonProblem(f"holds more than {MOST_VALUES} values; send a page at a time")
    try:
        value = orjson.loads(body)
    except orjson.JSONDecodeError:
        return _parse_exactly(body, most_resources)
    if _is_plain(body, most_resources) and orjson.dumps(value) == body:
        return value
    return _parse_exactly(body, most_resources) if _is_doubtful(value, body, most_resources) else value


def _is_plain(body: bytes, most_resources: int | None) -> bool:
    """Whether ``body``, which is JSON, certainly holds neither too many resources nor too deep a nesting. Told by the text alone.

    What is written again as it stands, as that of most programs is, has no other fault: no key comes twice, no number changes.
    """
    if b"\\" in body or (most_resources is not None and body.count(b'"resourceType"') > most_resources):
        return False
    # Where each run of quotes is even, no bracket stands in a text.
    brackets = body.translate(None, _NO_BRACKETS).replace(b'""', b"")
    if b'"' in brackets:
        return False
    for _ in range(DEEPEST // 2):  # Each time two levels go at most.
        if not brackets:
            return True
        brackets = brackets.replace(b"{}", b"").replace(b"[]", b"")
    return False


def _is_doubtful(value: Any, body: bytes, most_resources: int | None) -> bool:
    """Whether ``value``, read fast from ``body``, may hold what is refused. False only where it certainly does not.

    The fast reader itself refuses what is not UTF-8, NaN, infinite numbers and halves of surrogate pairs.
    """
    keys = resources = depth = 0
    level = [value]
    while level:
        objects = [item for item in level if item.__class__ is dict]
        lists = [item for item in level if item.__class__ is list]
        if len(objects) + len(lists) < len(level):
            numbers = [item for item in level if item.__class__ is float]
            if numbers and max(map(abs, numbers)) >= _INEXACT:
                return True
        depth += bool(objects or lists)
        keys += sum(map(len, objects))
        resources += len([1 for item in objects if "resourceType" in item])
        if depth > DEEPEST or (most_resources is not None and resources > most_resources):
            return True
        level = [part for item in objects for part in item.values() if part.__class__ not in _PLAIN]
        level += [part for item in lists for part in item if part.__class__ not in _PLAIN]
    return keys != _most_keys(body)


def _most_keys(body: bytes) -> int:
    """How many keys are written in ``body``, or more: a text can look like the end of a key, but each key ends like this."""
    if any(space in body for space in _SPACED):
        return sum(1 for _ in _COLON.finditer(body))
    return body.count(b'":')


def _parse_exactly(body: bytes, most_resources: int | None) -> Any:
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise JsonProblem(f"not UTF-8 at byte {error.start}") from error
    try:
        value = json.loads(
            text,
            object_pairs_hook=_object,
            parse_constant=_no_constant,
            parse_int=_integer,
            parse_float=_decimal,
        )
    except json.JSONDecodeError as error:
        raise JsonProblem(f"not JSON: {error.msg} at line {error.lineno}, column {error.colno}") from error
    except RecursionError as error:
        raise JsonProblem(f"nested more than {DEEPEST} levels deep") from error
    _check(value, most_resources)
    return value


async def parse_aside(body: bytes, *, most_resources: int | None = None, is_answer: bool = False) -> Any:
    """``body`` as ``parse`` reads it, for use on the event loop: what is not small is read in a thread, one text at a time.

    ``most_resources``: more than that number of FHIR resources is refused. ``is_answer``: another server's, for which a
    call waits a second and which must not wait for the bodies of other calls.
    """
    if len(body) <= SMALL_BYTES:
        return parse(body, most_resources=most_resources)
    turn = _ONE_ANSWER_AT_A_TIME if is_answer else _ONE_BODY_AT_A_TIME
    return await to_thread.run_sync(partial(parse, body, most_resources=most_resources), limiter=turn)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        seen: set[str] = set()
        twice = next(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]
        raise JsonProblem(f"the key {_shown(twice)} is given twice in one object")
    return found


def _no_constant(name: str) -> Any:
    raise JsonProblem(f"{name} is not a JSON number")


def _integer(digits: str) -> int:
    if len(digits) > _LONGEST_NUMBER or (number := int(digits)).bit_length() > _MOST_INTEGER_BITS:
        raise JsonProblem("a whole number does not fit 64 bits")
    return number


def _decimal(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise JsonProblem("a number is too large")
    return number


def _check(value: Any, most_resources: int | None) -> None:
    """Depth, number of resources and surrogates, without recursion."""
    resources = 0
    waiting: list[tuple[Any, int]] = [(value, 1)]
    while waiting:
        item, depth = waiting.pop()
        if isinstance(item, str):
            if not item.isascii() and any("\ud800" <= char <= "\udfff" for char in item):
                raise JsonProblem("half of a surrogate pair in a text")
        elif isinstance(item, (dict, list)):
            if depth > DEEPEST:
                raise JsonProblem(f"nested more than {DEEPEST} levels deep")
            resources += isinstance(item, dict) and "resourceType" in item
            if most_resources is not None and resources > most_resources:
                raise JsonProblem(f"holds more than {most_resources} FHIR resources; send a page at a time")
            parts = [*item.keys(), *item.values()] if isinstance(item, dict) else item
            waiting.extend((part, depth + 1) for part in parts)


def _shown(text: str) -> str:
    return ascii(text[:40])
