"""Where a card leads: to its own decision on the bedside page, and to the page of the rule set behind it."""

from __future__ import annotations

from cds.hooks.cards.linked_decision import LinkedDecision
from cds.protocol.response import Link
from cds.security.sealed_links import LinkSeal
from rules.model.decision import Decision

RULES = "/rules"
"""Path at which every rule is served with its reason and its sources."""
BEDSIDE = "/bedside"
FRAGMENT = "d="
"""What the fragment of a link to a decision begins with. No server is sent a fragment; the page posts what follows."""


def explanation_url(address: str | None) -> str | None:
    """The address of the rule set's page at a service's ``address``; None where that is not known."""
    return None if address is None else f"{address}{RULES}"


def decision_link(address: str | None, seal: LinkSeal | None, decision: Decision, patient: str) -> tuple[Link, ...]:
    """The link that opens ``decision`` about ``patient`` (an id) at the service's ``address``; none where that is not known.

    ``seal`` closes the decision up in the link; without it there is none either.
    """
    if address is None or seal is None:
        return ()
    sealed = LinkedDecision.of(decision, patient).sealed(seal, decision.at)
    return (Link(label="This decision at the bedside", url=f"{address}{BEDSIDE}#{FRAGMENT}{sealed}"),)
