"""``collar-order-select``: a collar has just been selected, so say which size to try, how to care, and write the orders."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from cds.fhir.json_access import mapping, shown, text
from cds.fhir.reading.device_use import IN_PLACE
from cds.fhir.writing.service_request import FIT_TASK
from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer
from cds.hooks.cards.card_content import caution_cards, size_card, unread_names
from cds.hooks.cards.need import DIED, need_first, without_leading
from cds.hooks.cards.reading_limit import CardLine
from cds.hooks.engine.service import HookCall, HookService
from cds.hooks.engine.whether_worn import halo_may_be_on
from cds.hooks.suggestions.catalogue_items import shelf_items, shelf_lines
from cds.hooks.suggestions.changeable import by_hand, has_usable_id, keeps_its_collar
from cds.hooks.suggestions.need_first import offers_need_first
from cds.hooks.suggestions.order_set import whole_order_set
from cds.hooks.suggestions.order_size import what_changes
from cds.hooks.suggestions.sizes_on_record import other_sizes
from cds.protocol.request import OrderSelectRequest, Resource
from cds.protocol.response import LONGEST_SUMMARY
from cds.site.content import Content
from rules.model.decision import Decision, HoldNotice, NotUsed


def _concerns(request: OrderSelectRequest, content: Content) -> bool:
    return bool(content.collar_orders(request.selected, request.with_device))


def _cards(call: HookCall) -> list[Draft]:
    selected = call.collar_orders(call.request.selected)
    to_order = _to_order(call.decision)
    by_others = [draft for draft in call.collar_orders(call.request.context.drafts) if draft not in selected]
    ours = [*selected, *(draft for draft in by_others if not has_usable_id(draft))]
    actions = whole_order_set(to_order, call.orders, call.content.ruleset, ours, call.standing)
    shelf = call.content.shelf(call.decision)
    halo = halo_may_be_on(call)
    before = _ordered_before(call, ours)
    recommended = before is None and not halo
    offers = (
        (Offer(_label(call, to_order, ours), actions, recommended=recommended),)
        if actions and not call.deceased
        else ()
    )
    main = size_card(
        call.content.ruleset,
        _without_look_up(call.decision, before),
        items=shelf_items(shelf),
        shelf=shelf_lines(shelf),
        not_had=call.gathered.not_had,
        offers=offers_need_first(offers, call.decision, call.orders, call.standing),
    )
    main = replace(main, lines=(*_as_written(call, to_order, ours), *main.lines))
    stand = [*call.collars_beside(ours), *(draft for draft in by_others if draft not in ours)]
    main = _of_two_sizes(
        main, other_sizes(stand, ours, to_order, call.orders, call.content.ruleset, accepting=bool(actions))
    )
    main = need_first(_beside_what_stands(_after_the_halo(main, halo), call, before), call.decision)
    return [_doubted(main) if call.deceased else main, *caution_cards(without_leading(call.decision), beside_size=True)]


def _label(call: HookCall, to_order: Decision, orders: Sequence[Resource]) -> str:
    """What the offer orders, in words: beside one of ``orders`` that keeps its collar no other is ordered."""
    if to_order.size_class is None:
        return "Order the review and the care"
    keeps = any(keeps_its_collar(order, to_order, call.orders, call.content.ruleset) for order in orders)
    return "Order the care" if keeps else f"Order {to_order.size_class.in_words} with its care"


def _as_written(call: HookCall, to_order: Decision, orders: Sequence[Resource]) -> Iterator[CardLine]:
    """What somebody wrote in ``orders`` otherwise than ``to_order``: what accepting changes, what stays, what to do by hand."""
    if to_order.size_class is None:
        return
    ruleset = call.content.ruleset
    for order in orders:
        said = by_hand(order, to_order, call.orders, ruleset)
        if said is None and keeps_its_collar(order, to_order, call.orders, ruleset):
            stays = "**The order states another size, and nothing recorded speaks against it: it stays.**"
            yield CardLine("", stays, counted="")
            continue
        if said is None:
            changes = what_changes(order, to_order, call.orders, ruleset)
            said = f"Accepting changes: {'; '.join(changes)}." if changes else None
        if said is not None:
            yield CardLine("", f"**{markdown.plain(said, 600)}**", needed=True)


def _to_order(decision: Decision) -> Decision:
    """``decision`` as it is offered: without a size where an emergency leads and nobody is to put a collar on."""
    first = next(iter(decision.leading), None)
    if first is None or first.severity != "critical" or any(task.task == FIT_TASK for task in decision.tasks):
        return decision
    reason = HoldNotice(kind="do_not_size", summary=first.summary, text=first.text, axis=None, rules=first.rules)
    return decision.model_copy(update={"size_class": None, "candidates": (), "holds": (*decision.holds, reason)})


def _ordered_before(call: HookCall, orders: Sequence[Resource]) -> Resource | None:
    """The order of a collar that stands in the record and is none of the drafts of this call; of the device, where it has both.

    None where ``orders`` say themselves how they stand to what is on record: that they replace it, or carry it out.
    """
    if call.collars_named(orders, "replaces", "priorRequest", "basedOn"):
        return None
    return max(call.collars_on_record, key=lambda order: order["resourceType"] == "DeviceRequest", default=None)


def _without_look_up(decision: Decision, before: Resource | None) -> Decision:
    """``decision`` without the question whether the collar of the order ``before`` is on: that it is ordered is said first."""
    if before is None:
        return decision
    label = f"{before['resourceType']}/{before['id']}"
    kept = (
        one.model_copy(update={"look_up": None}) if one.fact == IN_PLACE and one.reference == label else one
        for one in decision.not_used
    )
    return decision.model_copy(update={"not_used": tuple(kept)})


def _beside_what_stands(main: Draft, call: HookCall, before: Resource | None) -> Draft:
    """``main``, saying what the record holds already: that is not offered again. The order ``before`` goes before the size."""
    stands = call.on_record.in_words()
    if stands is None:
        return main
    last = CardLine("", f"Ordered already: {stands}.", needed=True)
    if before is None:
        return replace(main, lines=(*main.lines, last))
    by, since = text(mapping(before, "requester"), "display"), text(before, "authoredOn")
    whose = "".join(filter(None, (by and f" by {shown(by)}", since and f" on {shown(since[:10])}")))
    how = "drafted" if before.get("status") == "draft" else "ordered"
    first = f"A collar is {how} already{whose}: is another one meant?"
    return replace(main, lines=(CardLine("", f"**{markdown.plain(first)}**", needed=True), *main.lines, last))


def _of_two_sizes(main: Draft, sentences: Sequence[str]) -> Draft:
    """``main`` led by ``sentences``: what is ordered already is of another size, and somebody decides which one is meant."""
    if not sentences:
        return main
    said = [f"**{markdown.plain(sentence)}**" for sentence in sentences]
    return replace(
        main,
        indicator="critical" if main.indicator == "critical" else "warning",
        summary=main.summary if main.indicator == "critical" else markdown.shorten(sentences[0], LONGEST_SUMMARY),
        lines=(
            *(CardLine("", each, needed=True) for each in said),
            *([] if main.indicator == "critical" else [CardLine("", markdown.plain(main.summary), needed=True)]),
            *main.lines,
        ),
        full=lambda: markdown.joined([*said, main.full()]),
    )


def _after_the_halo(main: Draft, halo: Sequence[NotUsed]) -> Draft:
    """``main`` for a patient who may be in a ``halo``: somebody looks before any size is tried."""
    if not halo:
        return main
    first = f"Look whether a halo holds the head before any collar is sized: {unread_names(halo)}"
    return replace(
        main,
        indicator="critical" if main.indicator == "critical" else "warning",
        summary=markdown.shorten(first, LONGEST_SUMMARY),
        lines=(CardLine("", f"**{markdown.plain(first, 600)}**", needed=True), CardLine("", main.summary), *main.lines),
        full=lambda: markdown.joined([f"**{markdown.plain(first)}**", main.full()]),
    )


def _doubted(main: Draft) -> Draft:
    """``main`` for a patient who has died by the record: most likely another patient is meant."""
    return replace(
        main,
        indicator="critical" if main.indicator == "critical" else "warning",
        summary=markdown.shorten(f"{DIED} {main.summary}", LONGEST_SUMMARY),
        lines=(CardLine("", f"**{DIED}**", needed=True), *main.lines),
        full=lambda: markdown.joined([f"**{DIED}**", main.full()]),
    )


SERVICE = HookService(
    id="collar-order-select",
    hook="order-select",
    title="Rigid neck collar: size and care",
    description=(
        "When a neck collar or neck immobilisation is selected: the size class to try first and why, what to measure "
        "next, cautions, and the orders and the care plan as drafts."
    ),
    request=OrderSelectRequest,
    concerns=_concerns,
    cards=_cards,
    longest_detail=1000,
)
