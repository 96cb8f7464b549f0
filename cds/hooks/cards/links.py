"""Where a card leads: the page of the rule set behind it. No fact of a patient stands in an address."""

from __future__ import annotations

from cds.protocol.response import Link

EXPLANATION = "/rules"
"""Path, under the service's public address, at which every rule is served with its reason and its sources."""
_LABEL = "All rules, with reasons and sources"


def explanation_url(public_url: str | None) -> str | None:
    """The address of the rule set's page; None where the site gave no public address."""
    return None if public_url is None else f"{public_url}{EXPLANATION}"


def explanation_links(public_url: str | None) -> tuple[Link, ...]:
    """The same as the link of a card."""
    url = explanation_url(public_url)
    return () if url is None else (Link(label=_LABEL, url=url),)
