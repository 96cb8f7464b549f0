"""Silent mode: a hook decides and shows nothing; what it would have shown is kept beside what the clinician ordered."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime

from cds.fhir.canonical_urls import Canonicals
from cds.hooks.engine.service import HookService
from cds.hooks.suggestions.catalogue_items import misfits, ordered_item
from cds.hooks.suggestions.order_size import stated_size
from cds.protocol.prefetch import Gathered
from cds.protocol.request import HookRequest, Resource
from cds.protocol.response import HookResponse
from cds.security.sealed_links import LinkSeal
from cds.settings import Settings
from cds.site.content import Content
from cds.storage.silent_log import SilentDecision, SilentLog
from rules.model.decision import Decision


def answer_silently(
    hook: HookService,
    request: HookRequest,
    gathered: Gathered,
    content: Content,
    settings: Settings,
    at: datetime,
    kept: SilentLog,
    noted: Callable[[str, Decision], None],
    links: LinkSeal | None,
) -> HookResponse:
    """An answer without cards, after ``hook`` has decided as it would have; no card counts as issued.

    ``kept`` takes what would have been shown, beside the draft orders of ``request``; ``links`` seals the links of its
    cards. ``gathered``, ``content``, ``settings``, the moment ``at`` and ``noted`` are those of ``HookService.answer``,
    and so is what it raises.
    """
    decisions: list[Decision] = []

    def decided(service: str, decision: Decision) -> None:
        decisions.append(decision)
        noted(service, decision)

    shown = hook.answer(request, gathered, content, settings, at, None, decided, links)
    (decision,) = decisions
    orders = content.collar_orders(request.context.drafts, request.with_device)
    kept.keep(
        SilentDecision(
            service=hook.id,
            patient=request.context.patientId,
            at=at,
            ruleset_hash=decision.ruleset.hash,
            indicators=tuple(card.indicator for card in shown.cards),
            orders=len(orders),
            agrees=agreement(orders, decision, content, Canonicals(settings.canonical_base)),
        )
    )
    return HookResponse(cards=())


def agreement(orders: Iterable[Resource], decision: Decision, content: Content, urls: Canonicals) -> dict[str, bool]:
    """Whether ``orders`` state what ``decision`` would have, by axis; an axis that either leaves open is left out.

    ``content`` knows the axes and the site's items, ``urls`` the codes in which an order states a size. The key
    ``item`` says whether the item that is ordered fits.
    """
    found: dict[str, bool] = {}
    for order in orders:
        for name, value in stated_size(order, content.ruleset, urls).items():
            candidates = decision.axes[name].candidates
            if candidates:
                found[name] = found.get(name, True) and value in candidates
        named = ordered_item(order, content.catalogue)
        if named is not None and decision.size_class is not None:
            fits = not any(misfits(named.item, decision, content.ruleset))
            found["item"] = found.get("item", True) and fits
    return found
