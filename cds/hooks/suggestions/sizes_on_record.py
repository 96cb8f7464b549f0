"""An order of a collar on record whose size is not that of now: a person decides which of the two is changed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from cds.fhir.writing.order_context import OrderContext
from cds.hooks.suggestions.changeable import keeps_its_collar
from cds.hooks.suggestions.order_size import contradicts, values_stated
from cds.protocol.request import Resource
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

_KINDS = {"DeviceRequest": "device", "ServiceRequest": "fitting"}


def other_sizes(
    on_record: Iterable[Resource],
    orders: Sequence[Resource],
    decision: Decision,
    context: OrderContext,
    ruleset: Ruleset,
    *,
    accepting: bool = False,
) -> list[str]:
    """A sentence for each order of ``on_record`` that states another size than that of now.

    The size of now is what ``orders``, the drafts, state, and what ``decision`` says where they are silent or contradicted;
    with ``accepting`` also what its suggestion would write into them. ``context`` has the codes in which orders state a
    size, on the axes of ``ruleset``. Empty where no size is right at all.
    """
    if any(hold.kind == "do_not_size" for hold in decision.holds):
        return []
    now = _size_of_now(orders, decision, context, ruleset, accepting=accepting)
    said = []
    for order in on_record:
        stated = _by_axis(values_stated(order, ruleset, context.canonicals))
        if any(not set(values) <= set(now[axis]) for axis, values in stated.items() if axis in now):
            kind = _KINDS[order["resourceType"]]
            how = "drafted" if order.get("status") == "draft" else "ordered"
            said.append(
                f"The {kind} {how} already is {_in_words(stated, ruleset)}, the size now is {_in_words(now, ruleset)}: "
                "decide which of the two orders is changed."
            )
    return list(dict.fromkeys(said))


def _size_of_now(
    orders: Sequence[Resource], decision: Decision, context: OrderContext, ruleset: Ruleset, *, accepting: bool
) -> dict[str, list[str]]:
    """By axis, the values that ``orders`` will have, or may have; an axis of which nobody says anything is left out."""
    held = _by_axis(
        pair for order in orders for pair in _size_of(order, decision, context, ruleset, accepting=accepting)
    )
    measured = {
        axis: list(decided.candidates)
        for axis, decided in decision.axes.items()
        if decided.candidates and decided.confidence != "assumed"
    }
    return measured | held


def _size_of(
    order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset, *, accepting: bool
) -> list[tuple[str, str]]:
    """What ``order`` will state: the size of ``decision`` where that is written into it, or contradicts it; else its own."""
    size, stated = decision.size_class, values_stated(order, ruleset, context.canonicals)
    wrong = any(contradicts(axis, value, decision) for axis, value in stated)
    if size is not None and (wrong or (accepting and not keeps_its_collar(order, decision, context, ruleset))):
        return list(size.values.items())
    return [(axis, value) for axis, value in stated if not contradicts(axis, value, decision)]


def _by_axis(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for axis, value in pairs:
        if value not in found.setdefault(axis, []):
            found[axis].append(value)
    return found


def _in_words(values: Mapping[str, Sequence[str]], ruleset: Ruleset) -> str:
    """``values`` in the order of the axes, as a size class is written: without the usual value of an axis."""
    written = [
        " or ".join(values[axis.name]) for axis in ruleset.axes.values() if _is_said(axis.silent, values, axis.name)
    ]
    return " ".join(written).replace("_", " ")


def _is_said(silent: str | None, values: Mapping[str, Sequence[str]], axis: str) -> bool:
    return axis in values and list(values[axis]) != [silent]
