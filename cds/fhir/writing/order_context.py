"""For whom and at whose request resources are written."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property

from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals

_LITERAL = re.compile(
    r"(?:https?://\S+/)?(?P<type>[A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?"
)

REQUESTERS = ("Practitioner", "PractitionerRole", "Organization", "Patient", "RelatedPerson", "Device")
"""What may have asked for a ServiceRequest."""


def referenced_type(reference: str) -> str | None:
    """The resource type of the literal ``reference`` (``Observation/1``, or an absolute URL), or None where it is none."""
    match = _LITERAL.fullmatch(reference)
    return None if match is None else match["type"]


@dataclass(frozen=True)
class OrderContext:
    """The patient, encounter and requester as literal references (``Patient/1``), and the canonical base.

    Raises ValueError where a reference is not one, or names a type that cannot stand in its place.
    """

    patient: str
    encounter: str | None = None
    requester: str | None = None
    base: str = DEFAULT_BASE
    names: dict[tuple[str, str], str] = field(default_factory=dict, init=False, repr=False, compare=False)
    """Names that were made for this context, by the identity of the decision and the part of it."""

    def __post_init__(self) -> None:
        _must_be("patient", self.patient, ("Patient",))
        if self.encounter is not None:
            _must_be("encounter", self.encounter, ("Encounter",))
        if self.requester is not None:
            _must_be("requester", self.requester, REQUESTERS)
        self.canonicals  # noqa: B018  (a wrong base is refused here)

    @cached_property
    def canonicals(self) -> Canonicals:
        """The URLs under ``base``."""
        return Canonicals(self.base)


def _must_be(name: str, reference: str, types: tuple[str, ...]) -> None:
    if referenced_type(reference) not in types:
        wanted = " or ".join(f"{wanted}/id" for wanted in types)
        raise ValueError(f"{name} must be a reference of the form {wanted}; got {reference!r}")
