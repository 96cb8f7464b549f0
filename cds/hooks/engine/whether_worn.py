"""Whether a collar or a halo is on, as far as the record tells: it is, it may be, or a collar is ordered."""

from __future__ import annotations

from cds.fhir.codes import STANDING
from cds.fhir.reading.device_use import HALO, WORN
from cds.hooks.engine.service import HookCall
from rules.model.decision import NotUsed

_DEVICES_IN_USE = "prefetch.deviceUses"
_SPECIALIST_ORDER, _HOW_ORDERED = "specialist_order", ("wear_order", "ordered_wear_hours")
_INJURED = {("known_neck_injury", True), ("ct_neck", "positive")}


def holds(call: HookCall, name: str, *, value: bool = True) -> bool:
    """Whether the fact ``name`` is known in ``call`` to be so, or with ``value`` False known not to be."""
    return any(fact.name == name and fact.value is value for fact in call.decision.facts)


def may_be_on(call: HookCall) -> list[NotUsed]:
    """What of the record of ``call`` names a device that may be a collar or a halo which is on, or cannot be read for one."""
    named = (one for one in call.decision.not_used if one.look_up and one.fact in WORN)
    return [*named, *(one for one in call.gathered.not_had if one.look_up and one.value == _DEVICES_IN_USE)]


def halo_may_be_on(call: HookCall) -> list[NotUsed]:
    """What of the record of ``call`` says that a halo may be on, where it is not known to be: no collar goes on over one."""
    if holds(call, HALO):
        return []
    return [one for one in call.decision.not_used if one.look_up and one.fact == HALO]


def is_ordered(call: HookCall) -> bool:
    """Whether the record of ``call`` says that a collar is ordered: by an order, a draft or in force, or by what was observed."""
    observed = {fact.name: fact.value for fact in call.decision.facts}
    return (
        observed.get(_SPECIALIST_ORDER) is True
        or any(name in observed for name in _HOW_ORDERED)
        or any(
            order.get("status") in STANDING and not call.request.is_of_another_patient(order)
            for order in call.collar_orders(call.gathered.orders)
        )
    )


def is_injured(call: HookCall) -> bool:
    """Whether by the record of ``call`` the neck is known to be injured."""
    return any((fact.name, fact.value) in _INJURED for fact in call.decision.facts)
