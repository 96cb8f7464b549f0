"""Whether an order is to be carried out or, by its modifier ``doNotPerform``, must not be (R4, ServiceRequest, DeviceRequest)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_KEY = "doNotPerform"


def is_to_be_done(order: Mapping[str, Any]) -> bool | None:
    """Whether ``order``, or an activity of a plan, is to be carried out; None where nobody can tell.

    So it is where the modifier is in another form than true or false, or only says why it is not given (``_doNotPerform``). In
    doubt an order is not used.
    """
    said = order.get(_KEY)
    if isinstance(said, bool):
        return not said
    return None if said is not None or order.get(f"_{_KEY}") is not None else True
