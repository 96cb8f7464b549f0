"""What a card may be about: codes of our own, in the source of each card."""

from __future__ import annotations

SYSTEM = "card-topics"

TOPICS = {
    "size": "Size of the collar",
    "caution": "Caution",
    "order": "The order to be signed",
    "due": "Care that is due",
    "handover": "Going home",
}
