"""Why something in a record is not used: the kind, by which refusals are counted, and the exact reason in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from cds.fhir.json_access import choice_keys, shown
from rules.model.decision import RefusalKind


class RejectionReason(NamedTuple):
    """One reason."""

    kind: RefusalKind
    text: str
    unsettled: bool = False
    """Whether what is written may still hold: it is not final yet, or says only a limit."""
    look_up: bool = False
    """Whether a person has to look it up, whatever the fact."""
    may_be: str | None = None
    """The fact that it may be, where its words name a danger that goes before a collar."""


def several_of_a_choice(resource: Mapping[str, Any], *elements: str) -> RejectionReason | None:
    """That ``resource`` has one of the choice ``elements`` (``effective``) in several types: nobody can say which counts."""
    for element in elements:
        there = sorted(key for key in choice_keys(resource, element) if resource[key] is not None)
        if len(there) > 1:
            return RejectionReason(
                "malformed", f"malformed: more than one {element}[x] ({', '.join(map(shown, there))})"
            )
    return None
