"""How a call is refused: the error, and each problem as an issue of a FHIR OperationOutcome that names the field.

Answers never repeat what was sent, except short tokens that carry no patient data (a hook's name, a malformed UUID).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from rules.errors import NuqueError, in_plain_words


@dataclass(frozen=True)
class Issue:
    """One thing that is wrong: the field (as ``context.patientId``), what is wrong and what to do, a FHIR issue-type code."""

    field: str | None
    message: str
    code: str = "invalid"

    def as_fhir(self) -> dict[str, Any]:
        """The issue of an OperationOutcome (FHIR R4)."""
        where = {"expression": [self.field]} if self.field else {}
        text = f"{self.field}: {self.message}" if self.field else self.message
        return {"severity": "error", "code": self.code, "diagnostics": text, **where}


class RefusedCall(NuqueError):
    """The call cannot be answered: HTTP ``status``, every problem found as ``issues``, and ``headers`` for the answer."""

    def __init__(self, status: int, issues: Iterable[Issue], headers: Mapping[str, str] | None = None) -> None:
        """Refuse with ``status`` and ``issues``."""
        self.status = status
        self.issues = tuple(issues)
        self.headers = dict(headers) if headers else None
        super().__init__("; ".join(issue.as_fhir()["diagnostics"] for issue in self.issues))


def outcome(issues: Iterable[Issue]) -> dict[str, Any]:
    """``issues`` as an OperationOutcome."""
    return {"resourceType": "OperationOutcome", "issue": [issue.as_fhir() for issue in issues]}


def issues_of(problems: Iterable[Mapping[str, Any]]) -> list[Issue]:
    """``problems`` as pydantic reports them, as issues; the part ``body`` of a location is left out.

    A list that only lacks its refused members is not called too short: that would be a second, false problem.
    """
    issues = []
    found = list(problems)
    places = [tuple(problem["loc"]) for problem in found]
    for problem in found:
        here = tuple(problem["loc"])
        if problem["type"] == "too_short" and any(place[: len(here)] == here != place for place in places):
            continue
        code = "required" if problem["type"] == "missing" else "invalid"
        message = _in_words(problem)
        field, message = field_name(problem["loc"]), message[:1].lower() + message[1:]
        issues.append(Issue(field, message if field else f"request body: {message}", code))
    return issues


def _in_words(problem: Mapping[str, Any]) -> str:
    """A problem in words: what is wrong, and how much of it would be right."""
    bounds = problem.get("ctx", {})
    match problem["type"]:
        case "too_short" | "string_too_short" if bounds["min_length"] == 1:
            return "must not be empty"
        case "too_long" if isinstance(bounds["max_length"], int):
            return f"must have at most {bounds['max_length']} members"
    return in_plain_words(problem)


def field_name(location: Iterable[str | int]) -> str | None:
    """A ``location`` of keys and positions (from 0) as a path: ``("body", "entry", 3, "id")`` is ``entry[3].id``.

    None where it names no field.
    """
    path = ""
    for part in location:
        if part == "body" and not path:
            continue
        path += f"[{part}]" if isinstance(part, int) else f".{part}" if path else str(part)
    return path or None
