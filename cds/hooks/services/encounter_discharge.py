"""``collar-discharge``: a patient goes home in a collar, so say what to teach, to hand over and to arrange."""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir import codes
from cds.fhir.reading.device_use import IN_PLACE
from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer
from cds.hooks.cards.card_content import (
    caution_cards,
    caution_lines,
    not_used_line,
    task_lines,
    unread_line,
    unread_names,
    without,
)
from cds.hooks.cards.full_text import cautions_section, not_used_section, tasks_section, why
from cds.hooks.cards.reading_limit import CardLine
from cds.hooks.cards.topic_filter import narrowed
from cds.hooks.engine.service import HookCall, HookService
from cds.hooks.engine.whether_worn import holds, is_ordered, may_be_on
from cds.hooks.suggestions.order_set import care_orders
from cds.hooks.suggestions.stopping import to_be_ordered
from cds.protocol.request import DischargeRequest
from cds.site.content import Content
from rules.model.decision import Decision

TOPICS = ("handover",)
_LONGEST = 150
_RECORD_IT = (
    "Where it is on, record it (collar in place): then this list says what to order, to teach and to hand over. Nobody leaves in "
    "a collar without an order for wearing it, instructions and an appointment."
)


def _always(request: DischargeRequest, content: Content) -> bool:
    return True


def _cards(call: HookCall) -> list[Draft]:
    if call.deceased:
        return []
    decision = narrowed(call.decision, call.content.ruleset, TOPICS)
    if decision.tasks:
        return [*caution_cards(decision), _handover_card(call, decision)]
    return [*caution_cards(decision), *([] if holds(call, IN_PLACE) else _look_card(call))]


def _look_card(call: HookCall) -> list[Draft]:
    """Where a collar is ordered or may be on, and none is recorded as worn: what to look for before the patient leaves."""
    supposed = may_be_on(call)
    if not (supposed or (is_ordered(call) and not holds(call, IN_PLACE, value=False))):
        return []
    unread = [*call.decision.not_used, *call.gathered.not_had]
    why_so = unread_names(supposed) or "one is ordered, and none is recorded as worn"
    summary = markdown.shorten(f"Before leaving, look whether a collar is on: {why_so}", _LONGEST)
    return [
        Draft(
            indicator="warning",
            topic="handover",
            summary=summary,
            lines=(
                CardLine("", _RECORD_IT, needed=True),
                *unread_line(without(supposed, unread) if why_so in summary else unread),
            ),
            full=lambda: not_used_section(call.content.ruleset, unread),
            rules=(),
        )
    ]


def _handover_card(call: HookCall, decision: Decision) -> Draft:
    actions = care_orders(to_be_ordered(decision, call.content.ruleset), call.orders, call.standing)
    rules = tuple(dict.fromkeys(rule for task in decision.tasks for rule in task.rules))
    count = len(decision.tasks)
    return Draft(
        indicator="info",
        topic="handover",
        summary=f"Leaving in a collar: {count} thing{'s' if count > 1 else ''} to arrange",
        lines=(
            *task_lines(decision.tasks, "To arrange", "☐ "),
            *_leaflet_line(decision),
            *caution_lines(decision, ("info",)),
            *unread_line(decision.not_used),
            *not_used_line([*decision.not_used, *call.gathered.not_had]),
        ),
        full=lambda: markdown.joined(
            [
                tasks_section(decision.tasks, "To arrange"),
                markdown.section("For the patient, in the care plan", markdown.bullets(_leaflets(decision))),
                cautions_section(decision, ("info",)),
                markdown.section("Why", why(decision, rules)),
                not_used_section(call.content.ruleset, [*decision.not_used, *call.gathered.not_had]),
            ]
        ),
        rules=rules,
        offers=(Offer("Order the handover and the follow-up", actions, recommended=True),) if actions else (),
    )


def _leaflet_line(decision: Decision) -> Iterator[CardLine]:
    """In which languages the instructions for the patient come along."""
    if decision.leaflets:
        languages = ", ".join(_language(leaflet.language) for leaflet in decision.leaflets)
        yield CardLine("", f"The care plan brings the instructions for the patient: {languages}.", needed=True)


def _language(code: str) -> str:
    return codes.LANGUAGES.get(code) or markdown.code(code)


def _leaflets(decision: Decision) -> Iterator[str]:
    """The instructions for the patient in each language, by their headings, and who reviewed the words."""
    for leaflet in decision.leaflets:
        headings = "; ".join(markdown.plain(section.title) for section in leaflet.sections)
        yield f"{_language(leaflet.language)}: **{markdown.plain(leaflet.title)}**: {headings}. {markdown.plain(leaflet.notice)}"


SERVICE = HookService(
    id="collar-discharge",
    hook="encounter-discharge",
    title="Rigid neck collar: going home",
    description=(
        "When a patient who wears a rigid neck collar is discharged: what travels along, what to teach and to whom, "
        "follow-up, with the orders as drafts."
    ),
    request=DischargeRequest,
    concerns=_always,
    cards=_cards,
    longest_detail=1500,
    implied={"discharge_planned": True},
)
