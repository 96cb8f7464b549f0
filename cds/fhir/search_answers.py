"""What the answer to a search says of itself: whether all was found, and whether something went wrong on the way.

FHIR R4, ``Bundle.entry.search.mode`` and ``OperationOutcome.issue``: an entry of the mode ``outcome`` is not a match, but tells of
the search. Its severity may be ``information``, and many servers add such a note to every answer.
"""

from __future__ import annotations

from typing import Any

from cds.fhir.json_access import items, mapping, shown, text

_LACKING = ("transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled", "too-costly")
"""Codes of issues (R4, IssueType) by which something is lacking whatever the severity: what is transient, and too costly."""
_NOT_MATCHES = ("include", "outcome")


def is_note(outcome: object) -> bool:
    """Whether the OperationOutcome ``outcome`` only informs: everything that was asked for is there."""
    issues = items(outcome, "issue")
    return bool(issues) and not any(map(_fails, issues)) and all(_severity(issue) == "information" for issue in issues)


def failure(outcome: object) -> str | None:
    """What went wrong, in the words of ``outcome``, where something may be lacking by it; None where it warns or informs only.

    A warning alone ("unknown parameter ignored") leaves nothing out that was asked for. One without an issue says nothing, so
    anything may be lacking.
    """
    issues = items(outcome, "issue")
    failed = [issue for issue in issues if _fails(issue)]
    return words_of(failed) if failed or not issues else None


def words_of(issues: list[Any]) -> str:
    """What ``issues`` of an OperationOutcome say, in their own words where they have any."""
    for issue in issues:
        words = text(issue, "diagnostics") or text(mapping(issue, "details"), "text") or text(issue, "code")
        if words:
            return words
    return "OperationOutcome"


def lacking(bundle: object) -> str | None:
    """What the searchset ``bundle`` lacks by its own word, apart from further pages that it links to; None where nothing."""
    for entry in items(bundle, "entry"):
        if is_outcome(entry) and (failed := failure(mapping(entry, "resource"))) is not None:
            return f"the record system says of the search: {shown(failed)}"
    return fewer_than_total(bundle)


def is_outcome(entry: object) -> bool:
    """Whether ``entry`` of a Bundle tells of the search."""
    # Asked of every entry of every call.
    resource = entry.get("resource") if isinstance(entry, dict) else None
    return isinstance(resource, dict) and resource.get("resourceType") == "OperationOutcome"


def fewer_than_total(bundle: object) -> str | None:
    """That the searchset ``bundle`` holds fewer matches than it says were found, and links to no further page; else None.

    R4: ``total`` counts the matches on all pages, without what was included and what tells of the search.
    """
    total = bundle.get("total") if isinstance(bundle, dict) else None
    if text(bundle, "type") != "searchset" or not isinstance(total, int) or isinstance(total, bool):
        return None
    if any(text(link, "relation") == "next" for link in items(bundle, "link")):
        return None
    matches = sum(
        text(mapping(entry, "search"), "mode") not in _NOT_MATCHES and not is_outcome(entry)
        for entry in items(bundle, "entry")
    )
    return f"{matches} of {total} records were sent, and no further page" if matches < total else None


def _severity(issue: object) -> str | None:
    return text(issue, "severity")


def _fails(issue: object) -> bool:
    """Whether something may be lacking by ``issue``; a severity that is not there or not known may be the worst."""
    known = ("warning", "information")
    return _severity(issue) not in known or text(issue, "code") in _LACKING
