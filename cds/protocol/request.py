"""The request of a CDS Hooks call, as the standard describes it (HL7 CDS Hooks 2.0), with errors that name the field.

Elements that the standard does not name are accepted and ignored, so that a newer client can call.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.references import SentAlong, addresses, as_compared
from cds.strict_json import MOST_RESOURCES

WHOLE_DECISION = "org.example.nuque.whole-decision"
"""Extension of a request: true asks for everything in the decision: trace, sources, where each fact comes from, all words."""
FULL_TEXT = "org.example.nuque.full-text"
"""Extension of a request: true asks for everything behind each card, as Markdown. Of a card: that text."""

Resource = dict[str, Any]
"""A FHIR R4 resource as JSON."""

_ID = r"[A-Za-z0-9\-.]{1,64}"
_UUID = r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}"
_USERS = ("Practitioner", "PractitionerRole", "Patient", "RelatedPerson")
_USER = rf"({'|'.join(_USERS)})/{_ID}"


def _is_an_id(value: str) -> str:
    if re.fullmatch(_ID, value) is None:
        raise ValueError("expected the id alone, as p1, not Type/p1: 1 to 64 letters, digits, '-' or '.'")
    return value


def _is_a_user(value: str) -> str:
    if re.fullmatch(_USER, value) is None:
        kinds = ", ".join(_USERS)
        raise ValueError(f"expected Type/id, as Practitioner/abc, without address and version; Type is one of {kinds}")
    return value


FhirId = Annotated[str, AfterValidator(_is_an_id), WithJsonSchema({"type": "string", "pattern": f"^{_ID}$"})]
UserReference = Annotated[
    str,
    AfterValidator(_is_a_user),
    WithJsonSchema({"type": "string", "pattern": f"^{_USER}$", "description": "for example `Practitioner/abc`"}),
]


def _is_an_address(value: str) -> str:
    if re.fullmatch(_SERVER, value) is None:
        raise ValueError("expected the base address of a FHIR server: http:// or https://, without spaces")
    return value


_SERVER = r"https?://[^\s]+"
_Address = Annotated[str, AfterValidator(_is_an_address), WithJsonSchema({"type": "string", "pattern": f"^{_SERVER}$"})]


class _RequestPart(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class FhirAuthorization(_RequestPart):
    """The client's permission to read its FHIR server. The token is secret: it does not show in logs or messages."""

    access_token: SecretStr = Field(min_length=1)
    token_type: Literal["Bearer"]
    expires_in: int = Field(ge=0)
    scope: str
    subject: str
    patient: str | None = None


class DraftEntry(_RequestPart):
    """One entry of a Bundle of draft orders."""

    fullUrl: str | None = None
    resource: Resource

    @field_validator("fullUrl", mode="before")
    @classmethod
    def _other_than_text(cls, value: Any) -> Any:
        """What is no address costs nobody the answer."""
        return value if isinstance(value, str) and value else None

    @field_validator("resource")
    @classmethod
    def _has_a_type(cls, resource: Resource) -> Resource:
        if not isinstance(resource.get("resourceType"), str):
            raise ValueError("a FHIR resource needs a resourceType")
        if "id" in resource and not (isinstance(resource["id"], str) and resource["id"].strip()):
            raise ValueError("the id of a FHIR resource is a text that is not empty")
        return resource


class DraftOrders(_RequestPart):
    """The Bundle of draft orders."""

    resourceType: Literal["Bundle"]
    entry: tuple[DraftEntry, ...] = Field(default=(), max_length=MOST_RESOURCES)

    @property
    def resources(self) -> tuple[Resource, ...]:
        """The draft orders in the order of the Bundle."""
        return tuple(entry.resource for entry in self.entry)

    @property
    def by_reference(self) -> Mapping[str, Resource]:
        """Draft orders by ``Type/id``; those without an id cannot be selected."""
        return {f"{order['resourceType']}/{order['id']}": order for order in self.resources if "id" in order}

    @property
    def as_entries(self) -> list[tuple[str | None, Resource]]:
        """Each draft order with the address of its entry."""
        return [(entry.fullUrl, entry.resource) for entry in self.entry]

    @property
    def in_groups(self) -> tuple[Resource, ...]:
        """The orders that a group among the drafts contains and names, each under the id ``#id``.

        FHIR R4, references: what is contained has no identity of its own, so it is read and never updated.
        """
        groups = (order for order in self.resources if order["resourceType"] in _GROUPS)
        held = (_contained(group, name) for group in groups for name in _named_by(group))
        return tuple(order for order in held if order is not None)


class PatientContext(_RequestPart):
    """What the contexts of all our hooks have."""

    userId: UserReference
    patientId: FhirId
    encounterId: FhirId | None = None

    @property
    def drafts(self) -> tuple[Resource, ...]:
        """The draft orders, where the hook has any."""
        return ()

    @property
    def entries(self) -> list[tuple[str | None, Resource]]:
        """What the Bundle of draft orders holds, each with the address of its entry."""
        return []


class PatientViewContext(PatientContext):
    """Context of ``patient-view``."""


class DischargeContext(PatientContext):
    """Context of ``encounter-discharge``: the encounter is required."""

    encounterId: FhirId


class OrderSignContext(PatientContext):
    """Context of ``order-sign``."""

    draftOrders: DraftOrders

    @property
    def drafts(self) -> tuple[Resource, ...]:
        """The draft orders, those that a group contains last."""
        return (*self.draftOrders.resources, *self.draftOrders.in_groups)

    @property
    def entries(self) -> list[tuple[str | None, Resource]]:
        """What the Bundle of draft orders holds, each with the address of its entry."""
        return self.draftOrders.as_entries


class OrderSelectContext(OrderSignContext):
    """Context of ``order-select``: as for ``order-sign``, and which of the drafts were selected last."""

    selections: Annotated[tuple[str, ...], Field(min_length=1, max_length=MOST_RESOURCES)]

    @model_validator(mode="after")
    def _selections_exist(self) -> OrderSelectContext:
        drafts = self.draftOrders.by_reference
        for index, reference in enumerate(self.selections):
            if reference not in drafts:
                raise ValueError(
                    f"selections[{index}]: {reference[:100]!r} is not in context.draftOrders; "
                    "name it as Type/id, by resourceType and id of the resource"
                )
        return self


_GROUPS = ("RequestGroup", "CarePlan")
"""What orders several things together."""
_ORDERS = ("ServiceRequest", "DeviceRequest")


def _named_by(group: Resource) -> Iterator[str]:
    """What the actions of a RequestGroup, those within others too, or the activities of a CarePlan name as their resources."""
    for part, element in (("action", "resource"), ("activity", "reference")):
        for one in items(group, part):
            name = text(mapping(one, element), "reference")
            if name is not None:
                yield name
            if isinstance(one, dict) and part == "action":
                yield from _named_by(one)


def _contained(group: Resource, name: str) -> Resource | None:
    """The order that ``group`` contains under ``name`` (``#id``), with that name as its id."""
    for held in items(group, "contained"):
        if isinstance(held, dict) and held.get("resourceType") in _ORDERS and name == f"#{held.get('id')}":
            return {**held, "id": name}
    return None


class HookRequest(_RequestPart):
    """What every call has. Each hook's request narrows ``hook`` and ``context``."""

    hook: str
    hookInstance: str
    context: PatientContext
    fhirServer: _Address | None = None
    fhirAuthorization: FhirAuthorization | None = None
    prefetch: dict[str, Any] = Field(default_factory=dict)
    extension: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _drafts_are_of_the_patient(self) -> HookRequest:
        for index, order in enumerate(self.context.drafts):
            for element, reference in owners(order):
                if names_another_patient(reference, self.context.patientId, self.fhirServer):
                    contained = str(order.get("id")).startswith("#")
                    where = f" (contained) {shown(order['id'])}" if contained else f".entry[{index}].resource"
                    raise ValueError(
                        f"context.draftOrders{where}.{element} is not the patient of context.patientId; "
                        "send the orders of one patient"
                    )
        return self

    def is_of_another_patient(self, resource: Resource) -> bool:
        """Whether ``resource`` says that it is of another patient than this call, or of one on another server."""
        patient = self.context.patientId
        return any(names_another_patient(said, patient, self.fhirServer) for _, said in owners(resource))

    @property
    def token_is_of_another_patient(self) -> bool:
        """Whether the access token says that it may only be used for another patient than that of this call.

        Source: HL7 CDS Hooks 2.0, FHIR Resource Access: ``patient`` is the id of the patient that the token is restricted to.
        """
        named = self.fhirAuthorization.patient if self.fhirAuthorization else None
        return named is not None and named not in (self.context.patientId, f"Patient/{self.context.patientId}")

    @cached_property
    def sent_along(self) -> SentAlong:
        """Everything among which a reference of this call is resolved: the draft orders and the prefetch as it was sent."""
        sent = [value for value in self.prefetch.values() if isinstance(value, dict)]
        found = entries_of_bundles(sent)
        return SentAlong([*self.context.entries, *found, *((None, value) for value in sent)], self.fhirServer)

    def with_device(self, order: Resource) -> Resource:
        """``order`` for reading: a DeviceRequest that names a Device by reference contains it, where it was sent along.

        FHIR R4, DeviceRequest.code[x]: what is ordered may be a Reference(Device).
        """
        named = mapping(order, "codeReference")
        reference = text(named, "reference")
        if order.get("resourceType") != "DeviceRequest" or reference is None or reference.startswith("#"):
            return order
        device = self.sent_along.find(reference)
        if device is None or device.get("resourceType") != "Device":
            return order
        held = {**device, "id": "sent-along"}
        return {**order, "codeReference": {**named, "reference": "#sent-along"}, "contained": [held]}

    @property
    def wants_whole_decision(self) -> bool:
        """Whether the client asks for everything in the decision, how it came about too."""
        return self.extension.get(WHOLE_DECISION) is True

    @property
    def wants_full_text(self) -> bool:
        """Whether the client shows everything behind a card."""
        return self.extension.get(FULL_TEXT) is True

    @field_validator("extension", mode="before")
    @classmethod
    def _others(cls, value: Any) -> Any:
        """Extensions of other makings cost nobody the answer."""
        return value if isinstance(value, dict) else {}

    @field_validator("hookInstance")
    @classmethod
    def _is_a_uuid(cls, value: str) -> str:
        if re.fullmatch(_UUID, value) is None:
            raise ValueError(f"{value[:60]!r} is not a UUID: 8-4-4-4-12 hexadecimal digits")
        return value

    @field_validator("prefetch", mode="before")
    @classmethod
    def _absent(cls, value: Any) -> Any:
        return {} if value is None else value

    @model_validator(mode="after")
    def _server_for_the_token(self) -> HookRequest:
        if self.fhirAuthorization is not None and self.fhirServer is None:
            raise ValueError("fhirServer is required when fhirAuthorization is sent")
        return self


def entries_of_bundles(values: Iterable[object]) -> list[tuple[str | None, Resource]]:
    """What those of ``values`` hold that are Bundles, each resource with the address of its entry."""
    found = [entry for value in values for entry in items(value, "entry")]
    return [(text(entry, "fullUrl"), mapping(entry, "resource")) for entry in found]


class OrderSelectRequest(HookRequest):
    """A call of ``order-select``."""

    hook: Literal["order-select"]
    context: OrderSelectContext

    @property
    def selected(self) -> tuple[Resource, ...]:
        """The selected draft orders; with a group (RequestGroup, CarePlan) the drafts that it names, and what it contains."""
        sent, by_reference = self.context.draftOrders, self.context.draftOrders.by_reference
        drafts = SentAlong(sent.as_entries, self.fhirServer)
        found: list[Resource | None] = []
        for chosen in (by_reference[reference] for reference in self.context.selections):
            found.append(chosen)
            if chosen["resourceType"] in _GROUPS:
                found += [_contained(chosen, name) or drafts.find(name) for name in _named_by(chosen)]
        named = (each for each in found if each is not None)
        return tuple({(each["resourceType"], each.get("id", id(each))): each for each in named}.values())


class OrderSignRequest(HookRequest):
    """A call of ``order-sign``."""

    hook: Literal["order-sign"]
    context: OrderSignContext


class PatientViewRequest(HookRequest):
    """A call of ``patient-view``."""

    hook: Literal["patient-view"]
    context: PatientViewContext


class DischargeRequest(HookRequest):
    """A call of ``encounter-discharge``."""

    hook: Literal["encounter-discharge"]
    context: DischargeContext


_OWNERS = ("subject", "patient", "for")
"""Under which of these an order of R4 says whose it is (NutritionOrder and VisionPrescription: ``patient``; Task: ``for``)."""


def owners(resource: Resource) -> Iterator[tuple[str, str]]:
    """The references by which ``resource`` says whose it is, each with its element."""
    for element in _OWNERS:
        owner = resource.get(element)
        reference = owner.get("reference") if isinstance(owner, dict) else None
        if isinstance(reference, str):
            yield element, reference


def names_another_patient(reference: str, patient_id: str, server: str | None = None) -> bool:
    """Whether ``reference`` (relative or absolute, perhaps with a version) is a Patient other than ``patient_id``.

    Of an absolute one the address counts, where the FHIR ``server`` of the patient is known.
    """
    bare = reference.split("/_history/")[0]
    parts = bare.split("/")
    if len(parts) < 2 or parts[-2] != "Patient":
        return False
    elsewhere = (
        server is not None and "://" in bare and as_compared(bare) not in addresses(server, f"Patient/{patient_id}")
    )
    return elsewhere or parts[-1] != patient_id
