"""``collar-patient-view``: the chart of a patient in a collar, or for whom one is ordered, is opened.

Said is what is dangerous; once the collar is worn, also what is overdue. Of a patient in a halo only an emergency is said.
"""

from __future__ import annotations

from collections.abc import Sequence

from cds.fhir.reading.device_use import HALO, IN_PLACE
from cds.fhir.reading.patient import IDENTITY
from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer
from cds.hooks.cards.card_content import caution_cards, not_used_line, task_lines, unread_line, unread_names, without
from cds.hooks.cards.full_text import not_used_section, tasks_section, why
from cds.hooks.cards.reading_limit import CardLine
from cds.hooks.cards.topic_filter import narrowed
from cds.hooks.engine.service import HookCall, HookService
from cds.hooks.engine.whether_worn import halo_may_be_on, holds, is_injured, is_ordered, may_be_on
from cds.hooks.suggestions.order_set import care_orders
from cds.hooks.suggestions.stopping import CLEARED, ended, is_cleared, to_be_ordered, to_end_by_hand
from cds.protocol.request import PatientViewRequest
from cds.site.content import Content
from rules.model.decision import Decision, HoldNotice, NotUsed, Task

TOPICS = ("application", "dangers", "review", "skin")
_THREAT = "airway_threat"
_LONGEST = 120
_READ_IT = "Read it yourself, not used here: "
CALL_TASK, TELL_TASK = "call_clinician", "tell_clinician"
"""Tasks of the rule set, if it has them: to call the clinician, who comes, and to tell something that is decided then."""
_A_DANGER = "A danger among these is not in the advice on the collar."
_BY_HAND = "To be ended by hand, not from here"
_RECORD_IT = (
    "Nothing says whether it is on now. Record what you see: once it is on by the record, what is due is said here."
)


def _always(request: PatientViewRequest, content: Content) -> bool:
    return True


def _cards(call: HookCall) -> list[Draft]:
    worn, supposed = holds(call, IN_PLACE), may_be_on(call)
    emergency_in_a_halo = holds(call, HALO) and (bool(call.decision.leading) or holds(call, _THREAT))
    ordered = not worn and is_ordered(call)
    missed = holds(call, IN_PLACE, value=False) and (ordered or is_injured(call))
    if call.deceased or not (worn or emergency_in_a_halo or ordered or missed or supposed):
        return []
    decision = narrowed(call.decision, call.content.ruleset, TOPICS)
    ending = _ending_card(call)
    unread = [*_identity_card(call), *_unread_card(call, halo_may_be_on(call) if worn else supposed)]
    if not worn:
        off_against_order = caution_cards(_of_the_collar(call, decision), ("warning",)) if missed else []
        return [*caution_cards(decision, ("critical",)), *off_against_order, *unread, *ending]
    overdue = caution_cards(decision)
    due = _once_called(tuple(task for task in decision.tasks if task.timing.within_hours == 0))
    return [*overdue, *unread, *ending, *([_due_card(call, due)] if due else [])]


def _of_the_collar(call: HookCall, decision: Decision) -> Decision:
    """``decision`` with those cautions alone that are about the collar being worn as ordered."""
    rules, asked = call.content.ruleset.rules, {IN_PLACE, "wear_order"}
    said = (one for one in decision.cautions if any(asked <= {*rules[rule].reads} for rule in one.rules))
    return decision.model_copy(update={"cautions": tuple(said)})


def _once_called(tasks: tuple[Task, ...]) -> tuple[Task, ...]:
    """``tasks`` without telling the clinician where the clinician is called: it is one call."""
    called = any(task.task == CALL_TASK for task in tasks)
    return tuple(task for task in tasks if not (called and task.task == TELL_TASK))


def _identity_card(call: HookCall) -> list[Draft]:
    """Where the records may be of two persons, or of somebody else: that care may follow the wrong one."""
    rules = call.content.ruleset.rules
    doubts = [hold for hold in call.decision.holds if any(IDENTITY in rules[rule].reads for rule in hold.rules)]
    return [_held(call, hold) for hold in doubts[:1]]


def _held(call: HookCall, hold: HoldNotice) -> Draft:
    said = markdown.plain(hold.text, 600)
    return Draft(
        indicator="warning",
        topic="caution",
        summary=hold.summary,
        lines=(CardLine("", said, needed=True),),
        full=lambda: markdown.joined([said, markdown.section("Why", why(call.decision, hold.rules))]),
        rules=hold.rules,
    )


def _ending_card(call: HookCall) -> list[Draft]:
    """Where the neck is cleared: everything that stands for the collar, to be ended together."""
    if not is_cleared(call.decision, call.content.ruleset):
        return []
    actions = ended(call.on_record, call.decision, call.content.ruleset)
    left = list(map(markdown.plain, to_end_by_hand(call.on_record, call.decision, call.content.ruleset)))
    if not (actions or left):
        return []
    stays = "A collar that is on stays on until the responsible clinician takes it off."
    orders = [markdown.plain(action.description) for action in actions]
    return [
        Draft(
            indicator="info",
            topic="ending",
            summary="The neck is recorded as cleared, and collar care is still ordered.",
            lines=(
                CardLine("", stays, needed=True),
                *(CardLine(_BY_HAND, order, needed=True) for order in left),
                *(CardLine("Would end", order, counted="order") for order in orders),
            ),
            rules=tuple(rule.id for rule in call.content.ruleset.rules.values() if CLEARED in rule.reads),
            full=lambda: markdown.joined(
                [
                    stays,
                    markdown.section(_BY_HAND, markdown.bullets(left)),
                    markdown.section("Would end", markdown.bullets(orders)),
                ]
            ),
            offers=(Offer("End the collar's orders and its plan", actions),) if actions else (),
        )
    ]


def _unread_card(call: HookCall, supposed: Sequence[NotUsed]) -> list[Draft]:
    """What could not be used or had and may be a danger, so the chart says so: first what is ``supposed`` to be on."""
    unread = [one for one in (*call.decision.not_used, *call.gathered.not_had) if one.look_up]
    if not unread:
        return []
    device = "a halo" if any(one.fact == HALO for one in supposed) else "a collar"
    head, first = (f"Look whether {device} is on: ", supposed) if supposed else (_READ_IT, unread)
    names, rest = unread_names(first), without(first, unread)
    summary = markdown.shorten(f"{head}{names}", _LONGEST)
    if supposed:
        lines = (CardLine("", _RECORD_IT, needed=True), *unread_line(rest if names in summary else unread))
    else:
        lines = (CardLine("", _A_DANGER, needed=True), *(unread_line(unread) if names not in summary else ()))
    return [
        Draft(
            indicator="warning",
            topic="unread",
            summary=summary,
            lines=lines,
            full=lambda: not_used_section(call.content.ruleset, unread),
            rules=(),
        )
    ]


def _due_card(call: HookCall, due: tuple[Task, ...]) -> Draft:
    due_now = call.decision.model_copy(update={"tasks": due, "instructions": (), "leaflets": ()})
    actions = care_orders(to_be_ordered(due_now, call.content.ruleset), call.orders, call.standing)
    rules = tuple(dict.fromkeys(rule for task in due for rule in task.rules))
    more = f" (and {len(due) - 1} more)" if len(due) > 1 else ""
    return Draft(
        indicator="info",
        topic="due",
        summary=markdown.shorten(f"Collar care due now: {due[0].title}", _LONGEST) + more,
        lines=(*task_lines(due, "Due now"), *not_used_line([*call.decision.not_used, *call.gathered.not_had])),
        full=lambda: markdown.joined(
            [
                tasks_section(due, "Due now"),
                markdown.section("Why", why(call.decision, rules)),
                not_used_section(call.content.ruleset, [*call.decision.not_used, *call.gathered.not_had]),
            ]
        ),
        rules=rules,
        offers=(Offer("Order what is due", actions, recommended=True),) if actions else (),
    )


SERVICE = HookService(
    id="collar-patient-view",
    hook="patient-view",
    title="Rigid neck collar: what is overdue",
    description=(
        "When the chart of a patient who wears a rigid neck collar is opened: recorded dangers, overdue skin inspection, "
        "too long in the collar, no review, an extrication collar still on; where a collar is only ordered, the critical "
        "dangers. Otherwise silent."
    ),
    request=PatientViewRequest,
    concerns=_always,
    cards=_cards,
    longest_detail=900,
)
