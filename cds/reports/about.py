"""Which knowledge a report is about, in one line."""

from __future__ import annotations

from rules.errors import Place
from rules.model.ruleset import Ruleset


def about(ruleset: Ruleset) -> str:
    """Name, version, content hash and size of ``ruleset``."""
    local = f", {len(ruleset.local_changes)} local changes" if ruleset.local_changes else ""
    return (
        f"{ruleset.name} {ruleset.version}, {len(ruleset.rules)} rules, {len(ruleset.vocabulary)} facts, "
        f"content {ruleset.hash[:12]}{local}"
    )


def count(number: int, thing: str, things: str | None = None) -> str:
    """``1 rule``, ``2 rules``."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def where(place: Place) -> str:
    """File and line of ``place``."""
    return place.file if place.line is None else f"{place.file}:{place.line}"
