"""Why something in a record is not used: the kind, by which refusals are counted, and the exact reason in words."""

from __future__ import annotations

from typing import NamedTuple

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
