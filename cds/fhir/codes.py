"""Codes of our own that cards carry (what a card may be about, why a clinician may go against it), and states of orders."""

from __future__ import annotations

TOPIC_SYSTEM = "card-topics"

TOPICS = {
    "size": "Size of the collar",
    "caution": "Caution",
    "order": "The order to be signed",
    "due": "Care that is due",
    "unread": "Records that only a person can read",
    "ending": "Orders of a collar that is no longer needed",
    "handover": "Going home",
}

OVERRIDE_REASON_SYSTEM = "override-reasons"

OVERRIDE_REASONS = {
    "measured-otherwise": "Measured at the bedside with another result",
    "fit-checked": "Another size was tried on and fits",
    "not-in-stock": "The suggested size is not in stock",
    "specialist-advice": "A specialist advised otherwise",
    "already-arranged": "Already ordered or arranged",
    "not-tolerated": "The patient does not tolerate or accept it",
    "local-protocol": "Local protocol says otherwise",
    "data-wrong": "The recorded data are wrong or out of date",
    "other": "Another reason (add a comment)",
}

LANGUAGES = {"en": "English", "es": "Spanish"}
"""Languages of the instructions for the patient, by BCP 47 code, in words."""

STANDING = ("draft", "active", "on-hold")
"""The states (FHIR request-status) of an order or a plan that is not over."""
