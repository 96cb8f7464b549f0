"""``collar-order-sign``: does the collar order that is about to be signed contradict the decision? Silent where it does not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial

from cds.fhir.writing.service_request import FIT_TASK
from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer
from cds.hooks.cards.card_content import caution_cards, not_used_line, reasons, unread_line, unread_names
from cds.hooks.cards.full_text import not_used_section, why, why_title
from cds.hooks.cards.need import DIED, without_leading
from cds.hooks.cards.reading_limit import CardLine
from cds.hooks.engine.service import HookCall, HookService
from cds.hooks.engine.whether_worn import halo_may_be_on
from cds.hooks.suggestions.catalogue_items import misfits, ordered_item, with_item
from cds.hooks.suggestions.changeable import by_hand, unknown_modifier
from cds.hooks.suggestions.need_first import offers_need_first
from cds.hooks.suggestions.order_set import corrections, whole_order_set
from cds.hooks.suggestions.order_size import contradicts, people_stated, values_stated
from cds.hooks.suggestions.sizes_on_record import other_sizes
from cds.protocol.request import OrderSignRequest, Resource
from cds.protocol.response import Action
from cds.site.advice_policy import Contradiction
from cds.site.content import Content
from rules.model.decision import AxisDecision
from rules.model.ruleset import SEVERITIES, Severity

SKIN_TASK = "inspect_skin"
"""The task of the rule set, if it has one, by which the skin under the collar is looked at."""
_LONGEST = 120


@dataclass(frozen=True)
class Finding:
    """One way in which an order contradicts the decision.

    ``about`` says what would put it right: the order, more care, a decision about the need, another patient, the order on
    record, or somebody who knows its modifier. ``summary`` is the sentence for the head of a card, where ``text`` is longer
    than one.
    """

    severity: Severity
    text: str
    rules: tuple[str, ...]
    about: str = "order"
    summary: str | None = None


def _finding(
    call: HookCall,
    kind: Contradiction,
    text: str,
    rules: tuple[str, ...],
    *,
    about: str = "order",
    summary: str | None = None,
) -> Finding:
    """A contradiction as grave as the rule set has it."""
    return Finding(call.content.policy.severity[kind], text, rules, about, summary)


def _concerns(request: OrderSignRequest, content: Content) -> bool:
    return bool(content.collar_orders(request.context.drafts, request.with_device))


def _cards(call: HookCall) -> list[Draft]:
    orders = call.collar_orders(call.request.context.drafts)
    if call.deceased:
        # Most likely another patient is meant: whatever else is wrong with the order can wait.
        return [_card(call, orders[0], orders, [Finding("critical", DIED, (), about="patient")])]
    need, of_call = list(_need(call)), [*_on_record(call, orders), *_people(call, orders), *_care(call)]
    drafts = []
    for position, order in enumerate(orders):
        findings = [
            *need,
            *_modifier(order),
            *_size(call, order),
            *_item(call, order),
            *(of_call if position == 0 else ()),
        ]
        if findings:
            drafts.append(_card(call, order, orders, findings))
    # What is critical is no reason to speak at signing, but no card leaves it out.
    return [*drafts, *(caution_cards(without_leading(call.decision), ("critical",)) if drafts else ())]


def _need(call: HookCall) -> Iterator[Finding]:
    """What speaks against any collar: said before what is wrong with the order, unless that is critical."""
    halo = halo_may_be_on(call)
    if halo:
        text = f"Look whether a halo holds the head before any collar goes on: {unread_names(halo)}"
        yield _finding(call, "size_withheld", text, (), about="need")
    for caution in call.decision.leading:
        yield Finding(caution.severity, caution.text, caution.rules, about="need", summary=caution.summary)


def _modifier(order: Resource) -> Iterator[Finding]:
    """What in ``order`` may change its meaning and is not known here: what else is said of it may then be wrong."""
    modifier = unknown_modifier(order)
    if modifier is not None:
        summary = "The order carries a modifier that is not known here: check it by hand."
        text = f"The order carries {modifier}, which may change its meaning and is not known here: check the order by hand."
        yield Finding("warning", text, (), about="modifier", summary=summary)


def _size(call: HookCall, order: Resource) -> Iterator[Finding]:
    """What is wrong with the size that ``order`` states."""
    decision, ruleset = call.decision, call.content.ruleset
    withheld = [hold for hold in decision.holds if hold.kind == "do_not_size"]
    for hold in withheld:
        summary = f"Do not size: {hold.summary}"
        yield _finding(call, "size_withheld", f"Do not size: {hold.text}", hold.rules, summary=summary)
    if withheld:
        return  # No size is right.
    stated = values_stated(order, ruleset, call.orders.canonicals)
    for name, value in stated:
        axis, line = decision.axes[name], f"{value.replace('_', ' ')} line"
        if name == "line" and not axis.candidates:
            text = f"Ask the age: the order is for the {line}, and nothing recorded says that it applies."
            yield _finding(call, "line_not_supported", text, axis.rules)
        elif name == "line" and axis.confidence == "assumed":
            text = f"Ask the age first: the order is for the {line}, and no age is recorded."
            yield _finding(call, "line_not_supported", text, axis.rules)
        elif contradicts(name, value, decision):
            yield _differs(call, axis, value)


def _differs(call: HookCall, axis: AxisDecision, value: str) -> Finding:
    shape = call.content.ruleset.axes[axis.axis]
    fits = " or ".join(axis.candidates)
    if axis.axis == "line" and value == shape.values[-1]:
        text = f"Change the line to {fits.replace('_', ' ')}, to which the patient belongs: the order is for an adult."
        return _finding(call, "adult_for_a_child", text, axis.rules)
    known = axis.confidence if shape.edges else "recorded"
    text = f"Change {shape.title} {value.replace('_', ' ')} to {fits.replace('_', ' ')}, as {known}."
    return _finding(call, "size_differs", text, axis.rules)


def _item(call: HookCall, order: Resource) -> Iterator[Finding]:
    """What speaks against the item of the site's catalogue that ``order`` names."""
    ordered = ordered_item(order, call.content.catalogue)
    if ordered is None:
        return
    adult = call.content.ruleset.axes["line"].values[-1]
    for misfit in misfits(ordered.item, call.decision, call.content.ruleset):
        # A misfit on this axis means that no line of the item suits: if adults are among them, the patient is a child.
        adult_for_a_child = misfit.axis == "line" and adult in ordered.item.axes["line"]
        kind: Contradiction = "adult_for_a_child" if adult_for_a_child else "item_misfits"
        yield _finding(call, kind, misfit.text, misfit.rules)


def _with_fitting_item(call: HookCall, order: Resource) -> Resource:
    """``order`` with an item that fits, where it names one that does not."""
    ordered, shelf = ordered_item(order, call.content.catalogue), call.content.shelf(call.decision)
    if ordered is None or shelf is None or not any(misfits(ordered.item, call.decision, call.content.ruleset)):
        return order
    return with_item(order, ordered, shelf)


def _on_record(call: HookCall, orders: list[Resource]) -> Iterator[Finding]:
    """That the order of a collar on record is of another size: somebody decides which is meant, so nothing is offered for it."""
    for text in other_sizes(call.collars_beside(orders), orders, call.decision, call.orders, call.content.ruleset):
        yield Finding("warning", text, (), about="record")


def _people(call: HookCall, orders: Iterable[Resource]) -> Iterator[Finding]:
    """Whether some collar order asks for the people that fitting takes."""
    task = next((task for task in call.decision.tasks if task.task == FIT_TASK), None)
    if task is None or task.people < 2:
        return
    fittings = [order for order in orders if order["resourceType"] == "ServiceRequest"]
    # Beside the order of a device alone, the fitting that stands in the record is the one that is meant.
    standing = [] if fittings else [each for each in call.collars_on_record if each["resourceType"] == "ServiceRequest"]
    asked = max((people_stated(order, call.orders.canonicals) or 0 for order in (*orders, *standing)), default=0)
    if asked < task.people:
        stated = f", not {asked}," if asked else ""
        name = "a second person" if task.people == 2 else f"{task.people} people{stated}"
        where = "the order of the fitting" if standing or not fittings else "the order"
        text = f"Name {name} in {where}: fitting takes {task.people}, one of whom only holds head and neck."
        # Where nobody has ordered the fitting, that order brings the people.
        yield _finding(call, "people_missing", text, task.rules, about="order" if fittings or standing else "care")


def _care(call: HookCall) -> Iterator[Finding]:
    """Whether anybody will look at the skin under the collar."""
    task = next((task for task in call.decision.tasks if task.task == SKIN_TASK), None)
    if task is not None and not call.standing.covers(task.task):
        text = "Order the inspection of the skin under the collar: none is ordered or planned."
        yield _finding(call, "no_skin_care", text, task.rules, about="care")


def _card(call: HookCall, order: Resource, orders: list[Resource], findings: list[Finding]) -> Draft:
    findings = sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity))
    worst = findings[0]
    more = f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""
    return Draft(
        indicator=worst.severity,
        topic="order",
        summary=markdown.shorten(worst.summary or worst.text, _LONGEST) + more,
        lines=_lines(call, order, findings),
        rules=tuple(dict.fromkeys(rule for finding in findings for rule in finding.rules)),
        offers=_offers(call, order, orders, findings),
        full=lambda: markdown.joined(
            [
                *(_explained(call, finding) for finding in findings),
                *(line.text for line in _by_hand(call, order, findings)),
                not_used_section(call.content.ruleset, [*call.decision.not_used, *call.gathered.not_had]),
            ]
        ),
    )


def _lines(call: HookCall, order: Resource, findings: list[Finding]) -> tuple[CardLine, ...]:
    """Every finding, the gravest first, then what to do by hand, then why."""
    return (
        *(
            CardLine("", f"**{markdown.plain(finding.text, 600)}**", needed=True, alarm=finding.severity == "critical")
            for finding in findings
        ),
        *_by_hand(call, order, findings),
        *(line for finding in findings for line in reasons(call.decision, finding.rules, finding.severity)),
        *unread_line(call.decision.not_used),
        *not_used_line([*call.decision.not_used, *call.gathered.not_had]),
    )


def _by_hand(call: HookCall, order: Resource, findings: list[Finding]) -> Iterator[CardLine]:
    """What is wrong with ``order`` and can only be put right in the order itself."""
    said = by_hand(order, call.decision, call.orders, call.content.ruleset)
    if said is not None and any(finding.about == "order" for finding in findings):
        yield CardLine("", markdown.plain(said), needed=True)


def _explained(call: HookCall, finding: Finding) -> str:
    stated = f"**{markdown.plain(finding.text)}**"
    return markdown.joined([stated, markdown.section(why_title(finding.severity), why(call.decision, finding.rules))])


def _offers(call: HookCall, order: Resource, orders: list[Resource], findings: list[Finding]) -> tuple[Offer, ...]:
    if call.deceased:
        return ()
    fitting = partial(_with_fitting_item, call)
    if all(finding.about in ("need", "record") for finding in findings):
        actions: tuple[Action, ...] = ()
    elif any(finding.about == "care" for finding in findings) or call.decision.size_class is None:
        actions = whole_order_set(call.decision, call.orders, call.content.ruleset, orders, call.standing, fitting)
    else:
        actions = corrections([order], call.decision, call.orders, call.content.ruleset, fitting)
    offers = (Offer(_label(call, actions), actions, recommended=True),) if actions else ()
    return offers_need_first(offers, call.decision, call.orders, call.standing)


def _label(call: HookCall, actions: tuple[Action, ...]) -> str:
    """What ``actions`` do, in words."""
    if call.decision.size_class is None:
        return "Order the review and the care"
    kinds = {action.type for action in actions}
    if kinds == {"update"}:
        return "Correct the order"
    return "Correct the order and add the care" if "update" in kinds else "Add the care"


SERVICE = HookService(
    id="collar-order-sign",
    hook="order-sign",
    title="Rigid neck collar: check before signing",
    description=(
        "When a neck collar or neck immobilisation is about to be signed: says where the order contradicts the decision "
        "(size class, adult item for a child, no second person, no skin care), with the corrected order. Otherwise silent."
    ),
    request=OrderSignRequest,
    concerns=_concerns,
    cards=_cards,
)
