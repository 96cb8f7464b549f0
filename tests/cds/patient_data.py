"""What must never stand in a log: every identifier, name, birth date and token that the tests send.

Known beforehand are the invented patients of ``demo_bundles`` and some patterns; everything else is noted as it is sent
(``noting_what_is_sent``): whatever a body holds at a place that names somebody or some record. What was noted is looked for
as a whole word, so that ids of one letter are found too. Left out is what cannot be told from the service's own words: an id
that is one of them (``collar``), a single digit, which may be a count, and mere punctuation.
"""

import ast
import json
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import httpx2  # The web framework's test client is one of its clients.
import pytest

from tests.shipped_content import RULESET

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_bundles"

_NAMING = frozenset(
    [
        "id",
        "reference",
        "patientId",
        "encounterId",
        "userId",
        "hookInstance",
        "given",
        "family",
        "birthDate",
        "access_token",
        "card",
    ]
)
"""Keys under which texts name a person, a record or a right."""

_WORD = re.compile(r"[^\s\"'/:;,=()\[\]{}<>&?|]+")
_OURS = frozenset({"timestamp", "request", "places", "reasons", "remarks", "ms", "status"})
"""Fields of a log line with nothing from a call: the time, the id that we gave to it, places in the code, what is wrong with
the site's own knowledge files, how long a call took (2,008 ms is nobody's year of birth) and the HTTP status."""

_OF_THE_PROCESS = re.compile(r"process \[\d+\]|running on http://[0-9.:]+")
"""The numbers of its process and port, which the server says of itself; an id that was sent may be the same number."""


def named(value: Any, key: str = "") -> Iterator[str]:
    """Every text of ``value`` (plain JSON values) that stands under a key that names; the values of ``identifier`` too."""
    if isinstance(value, dict):
        for inner, part in value.items():
            naming = "id" if key == "identifier" and inner == "value" else inner
            yield from named(part, naming)
    elif isinstance(value, list):
        for part in value:
            yield from named(part, key)
    elif isinstance(value, str) and key in _NAMING:
        yield value


def _words(text: str) -> Iterator[str]:
    """The words of ``text``, each without the points that end a sentence; a single digit and punctuation are none."""
    words = (word.rstrip(".") for word in _WORD.findall(text))
    return (word for word in words if any(map(str.isalnum, word)) and not (len(word) == 1 and word.isdigit()))


def _own_words() -> Iterator[str]:
    for path in (ROOT / "cds").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                # Of single letters only the article: the others stand in patterns and formats, which nobody logs.
                yield from (word for word in _words(node.value) if len(word) > 1 or word == "a")


def _patients(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        if value.get("resourceType") == "Patient":
            yield value
        for part in value.values():
            yield from _patients(part)
    elif isinstance(value, list):
        for part in value:
            yield from _patients(part)


OWN_WORDS = frozenset([*_own_words(), RULESET.version])
"""What the service says of itself, the version of its content among it: canonicals that are sent name it too."""
DEMO_PATIENTS = frozenset(
    text
    for path in sorted(DEMO.rglob("*.json"))
    for resource in _patients(json.loads(path.read_text()))
    for text in named(resource)
)
"""Ids, numbers, names and birth dates of the invented patients of ``demo_bundles``."""

_sent: set[str] = set()


def note(body: bytes) -> None:
    """Remember what ``body`` names. What is no JSON names nobody."""
    try:
        value = json.loads(body)
    except (ValueError, RecursionError):
        return
    for text in named(value):
        _sent.update(word for word in _words(text) if word not in OWN_WORDS)


@contextmanager
def noting_what_is_sent() -> Iterator[None]:
    """While the block runs, note the bodies that any client of this process sends."""

    def noting(send: Callable[..., Any]) -> Callable[..., Any]:
        def noted(client: Any, request: Any, **given: Any) -> Any:
            if hasattr(request, "_content"):  # Not for a body that comes in pieces: reading would use it up.
                note(request.content)
            return send(client, request, **given)

        return noted

    with pytest.MonkeyPatch.context() as patch:
        for client in (httpx.Client, httpx2.Client):
            patch.setattr(client, "send", noting(client.send))
        yield


_ANYWHERE = re.compile(
    "|".join(
        [
            r"\bp1\b",
            r"invented-\d",
            r"patient-4711",
            r"Practitioner/",
            r"1984-05-02",
            r"neck_height",
            r"Jane",
            r"access-token",
            r"eyJ[A-Za-z0-9_-]{10,}",
            *(rf"\b{re.escape(text)}\b" for text in sorted(DEMO_PATIENTS)),
        ]
    )
)


def telling(lines: Iterable[str]) -> list[str]:
    """Those of ``lines`` that tell of a patient, or hold a token."""
    return [line for line in lines if _told(line)]


def told(lines: Iterable[str]) -> list[str]:
    """The same lines, each after the words that tell, for whoever has to find out where they come from."""
    return [f"{', '.join(map(repr, words))} in: {line}" for line in lines if (words := _told(line))]


def _told(line: str) -> list[str]:
    """The words of a log line that tell of a patient."""
    event = _of_a_call(line)
    text = event if isinstance(event, str) else json.dumps(event, ensure_ascii=False)
    found = {found.group() for found in _ANYWHERE.finditer(_OF_THE_PROCESS.sub("", text))}
    return sorted(found | (_sent & set(_said(event))))


def _of_a_call(line: str) -> Any:
    """A log line without the fields that hold only our own; as it is where it is not JSON."""
    try:
        event = json.loads(line)
    except ValueError:
        return line
    return {key: value for key, value in event.items() if key not in _OURS} if isinstance(event, dict) else event


def _said(event: Any) -> Iterator[str]:
    """The words of the texts in ``event``, plain JSON values."""
    waiting = [event]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting.extend(value.values())
        elif isinstance(value, list):
            waiting.extend(value)
        elif isinstance(value, str):
            yield from _words(_OF_THE_PROCESS.sub("", value))
