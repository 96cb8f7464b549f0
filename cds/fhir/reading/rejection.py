"""Why something in a record is not used: the kind, by which refusals are counted, and the exact reason in words."""

from __future__ import annotations

from typing import NamedTuple

from rules.model.decision import RefusalKind


class RejectionReason(NamedTuple):
    """One reason."""

    kind: RefusalKind
    text: str
