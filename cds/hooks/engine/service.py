"""What all CDS Hooks services share: how one is described, and the way from a request to its cards."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import Any, Protocol
from uuid import UUID, uuid5

import rules
from cds.fhir import codes
from cds.fhir.json_access import items, shown, text
from cds.fhir.reading.dates import by_the_clock
from cds.fhir.reading.reader import read
from cds.fhir.references import SentAlong
from cds.fhir.validation import validate
from cds.fhir.writing.order_context import OrderContext
from cds.hooks.cards import markdown
from cds.hooks.cards.budget import Draft, Offer, within_budget
from cds.hooks.cards.card_content import site_changes
from cds.hooks.cards.links import decision_link, explanation_url
from cds.hooks.cards.override_reasons import override_reasons
from cds.hooks.cards.reading_limit import AT_THE_LINK, LONGEST_DETAIL, NOT_SHOWN, CardLine
from cds.hooks.cards.unread_first import fitted_once_measured, led_by_unread
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.protocol.call_progress import progress
from cds.protocol.prefetch import Gathered
from cds.protocol.request import FULL_TEXT, HookRequest, Resource
from cds.protocol.response import Card, Coding, HookResponse, Link, Source, Suggestion
from cds.security.sealed_links import LinkSeal
from cds.settings import Settings
from cds.site.content import Content
from rules.model.decision import Decision
from rules.model.facts import FactValue, RecordedFact

RULES = "org.example.nuque.rules"
"""Extension of a card: the ids of the rules behind it."""
DECISION = "org.example.nuque.decision"
"""Extension of the response: the decision, in short unless the request asks for all of it."""
LOOK_ALIKES = "org.example.nuque.look-alikes"
"""Extension of a response without cards: drafts that may be for a neck collar and were not read as an order of one."""


class Memory(Protocol):
    """What is remembered of cards between calls. A memory that fails must cost nobody the answer: it deals with that itself."""

    def stays_silent(
        self, service: str, patient: str, draft: Draft, decision: Decision, facts: Mapping[str, FactValue]
    ) -> bool:
        """Whether such a card was overridden for ``patient`` with a reason, recently, and none of ``facts`` has changed since.

        ``service`` is the id of the hook service, ``patient`` that of the patient in the EHR, ``draft`` the card on
        ``decision``.
        """
        ...

    def remember(
        self,
        service: str,
        patient: str,
        issued: Sequence[tuple[Card, Draft]],
        decision: Decision,
        facts: Mapping[str, FactValue],
    ) -> None:
        """Note that the cards of ``issued``, each with its draft, went out with ``decision``, decided by ``facts``.

        ``service`` is the id of the hook service, ``patient`` that of the patient in the EHR.
        """
        ...


@dataclass(frozen=True)
class HookCall:
    """One call with everything that its cards are made from; ``deceased`` is what the Patient resource says.

    ``decision`` is as cards say it, led by what a person has to read before a collar. ``seal`` seals the facts in the links of
    the cards.
    """

    request: Any
    content: Content
    settings: Settings
    decision: Decision
    gathered: Gathered
    deceased: bool
    seal: LinkSeal | None = None

    @cached_property
    def orders(self) -> OrderContext:
        """For whom and at whose request resources are written."""
        context = self.request.context
        return OrderContext(
            patient=f"Patient/{context.patientId}",
            encounter=None if context.encounterId is None else f"Encounter/{context.encounterId}",
            requester=context.userId,
            base=self.settings.canonical_base,
        )

    @cached_property
    def links(self) -> tuple[Link, ...]:
        """Where each card leads."""
        return decision_link(self.settings.address, self.seal, self.decision, self.request.context.patientId)

    @cached_property
    def standing(self) -> StandingCare:
        """What is ordered and planned already, among the drafts and in the record."""
        return self._standing([*self.request.context.drafts, *self.gathered.orders])

    @cached_property
    def on_record(self) -> StandingCare:
        """What is ordered and planned already in the record alone."""
        return self._standing(self.gathered.orders)

    @cached_property
    def collars_on_record(self) -> tuple[Resource, ...]:
        """The orders of a collar that stand in the record and are none of the drafts of this call."""
        drafted = {(draft["resourceType"], draft.get("id")) for draft in self.request.context.drafts}
        collars = self.on_record.collars
        return tuple(each for each in collars if (each["resourceType"], each["id"]) not in drafted)

    def collars_beside(self, orders: Iterable[Resource]) -> tuple[Resource, ...]:
        """The orders of a collar on record that stand beside ``orders``: those are left out which one of them replaces."""
        replaced = self.collars_named(orders, "replaces", "priorRequest")
        return tuple(each for each in self.collars_on_record if each not in replaced)

    def collars_named(self, orders: Iterable[Resource], *elements: str) -> list[Resource]:
        """The orders of a collar on record to which a reference in one of ``elements`` of ``orders`` leads.

        FHIR R4, Request: ``replaces`` (of a DeviceRequest ``priorRequest``) and ``basedOn``.
        """
        names = [text(name, "reference") for order in orders for element in elements for name in items(order, element)]
        if not any(names):
            return []
        record = SentAlong(self.gathered.entries, self.request.fhirServer)
        found = [record.find(name) for name in names if name is not None]
        return [each for each in self.collars_on_record if each in found]

    def _standing(self, resources: Iterable[Resource]) -> StandingCare:
        urls, ruleset = self.orders.canonicals, self.content.ruleset.name
        patient = self.request.context.patientId
        own = (each for each in resources if not self.request.is_of_another_patient(each))
        return StandingCare.of(own, patient, urls, ruleset, lambda order: bool(self.collar_orders([order])))

    def collar_orders(self, orders: Iterable[Resource]) -> list[Resource]:
        """Those of ``orders`` that order a collar and are not over; a device by what it is called where it was sent along."""
        return self.content.collar_orders(orders, self.request.with_device)


@dataclass(frozen=True)
class HookService:
    """One service: what discovery says of it, what its requests look like, and what it answers.

    ``concerns`` tells cheaply, before anything is fetched or decided, whether a request is for us at all. ``implied`` are
    facts that the call itself says: who calls ``encounter-discharge`` is about to discharge. ``longest_detail`` is how
    many characters of detail a card has, unless what must be said takes more.
    """

    id: str
    hook: str
    title: str
    description: str
    request: type[HookRequest]
    concerns: Callable[[Any, Content], bool]
    cards: Callable[[HookCall], Sequence[Draft]]
    implied: Mapping[str, FactValue] = field(default_factory=dict)
    longest_detail: int = LONGEST_DETAIL

    def described(self, content: Content) -> dict[str, Any]:
        """The entry of this service in the answer to discovery; ``content`` says what it asks for as prefetch."""
        return {
            "hook": self.hook,
            "id": self.id,
            "version": rules.__version__,
            "title": self.title,
            "description": self.description,
            "prefetch": {query.key: query.template for query in content.queries},
            "usageRequirements": (
                "Patient and observations are needed, as prefetch or over fhirServer with fhirAuthorization; "
                "whatever else is missing is listed on the card."
            ),
        }

    def unconcerned(self, request: HookRequest, content: Content) -> HookResponse:
        """The answer to a ``request`` in which nothing concerns this service.

        For the integrator it says which draft orders only looked to ``content`` as if they did.
        """
        drafts = request.context.drafts
        found = ((draft, content.code_map.order_look_alike(request.with_device(draft))) for draft in drafts)
        named = [f"{draft['resourceType']}/{shown(draft.get('id'))}: {shown(words)}" for draft, words in found if words]
        return HookResponse(cards=(), extension={LOOK_ALIKES: named} if named else {})

    def answer(
        self,
        request: HookRequest,
        gathered: Gathered,
        content: Content,
        settings: Settings,
        at: datetime,
        memory: Memory | None = None,
        noted: Callable[[str, Decision], None] = lambda service, decision: None,
        seal: LinkSeal | None = None,
    ) -> HookResponse:
        """The cards for ``request`` at the moment ``at`` (with time zone).

        ``gathered`` is what was sent or fetched, ``content`` the rules and what the site added, ``settings`` those of
        the service. ``memory`` keeps repeats silent and notes what is issued; ``noted`` is told of the decision; with
        ``seal`` each card links to the decision on the bedside page. Raises GivenUp, with nothing noted, where nobody
        waits any more.
        """
        call_progress = progress()
        call_progress.check()
        clock = by_the_clock(at, settings.zone)
        reading = read(_as_sent(request, gathered), content.ruleset, content.code_map, clock)
        call_progress.check()
        decision = content.decider.decide(self._known(reading.facts, content, at), at, reading.not_used)
        call_progress.check()
        led = led_by_unread(decision, ordering=self.hook.startswith("order-"))
        led = fitted_once_measured(led, content.ruleset)
        call = HookCall(request, content, settings, led, gathered, reading.deceased, seal)
        patient, facts = request.context.patientId, content.compared(decision)
        drafts = [
            draft
            for draft in self.cards(call)
            if memory is None or not memory.stays_silent(self.id, patient, draft, decision, facts)
        ]
        kept = within_budget(drafts, content.policy.cards_at_most)
        issued = [(_issued(draft, self, call, number), draft) for number, draft in enumerate(kept)]
        if settings.strict_validation:
            _check_created(card for card, _ in issued)
        call_progress.begin_writing()
        noted(self.id, decision)
        if memory is not None and issued:
            memory.remember(self.id, patient, issued, decision, facts)
        return HookResponse(
            cards=tuple(card for card, _ in issued),
            extension=_decided(call, decision) if issued else {},
        )

    def _known(self, read: Sequence[RecordedFact], content: Content, at: datetime) -> list[RecordedFact]:
        """The facts that were read, and those that the call implies, which stand above older records."""
        implied = [
            RecordedFact(name=name, value=value, recorded=at, original=f"the hook {self.hook}")
            for name, value in self.implied.items()
            if name in content.ruleset.vocabulary
        ]
        return [*(fact for fact in read if fact.name not in self.implied), *implied]


def _decided(call: HookCall, decision: Decision) -> dict[str, Any]:
    """``decision`` for machines, all of it where the client asks for that; with what the client could not send."""
    told = decision.as_json() if call.request.wants_whole_decision else decision.in_short()
    if call.gathered.not_had:
        told["not_used"] = [*told.get("not_used", ()), *(each.as_json() for each in call.gathered.not_had)]
    return {DECISION: told}


def _check_created(cards: Iterable[Card]) -> None:
    """Check each resource that we made against the full FHIR model. Raises ResourceError."""
    for card in cards:
        for suggestion in card.suggestions:
            for action in suggestion.actions:
                if action.type == "create":
                    validate(action.resource)


def _as_sent(request: HookRequest, gathered: Gathered) -> dict[str, Any]:
    """The request with its prefetch completed, as plain JSON for reading."""
    context = request.context
    drafts = {"resourceType": "Bundle", "entry": [{"resource": order} for order in context.drafts]}
    identity = {"patientId": context.patientId, "encounterId": context.encounterId}
    return {
        "context": {**identity, "draftOrders": drafts},
        "prefetch": dict(gathered.prefetch),
        "fhirServer": request.fhirServer,
    }


def _issued(draft: Draft, service: HookService, call: HookCall, number: int) -> Card:
    """``draft`` as it is sent, the card ``number`` of the answer (from 0; two orders may be answered in the same words).

    The same call at the same moment gets the same ids, so that a repeat adds no second card.
    """
    ruleset, urls = call.content.ruleset, call.orders.canonicals
    topic = Coding(system=urls.code_system(codes.TOPIC_SYSTEM), code=draft.topic, display=codes.TOPICS[draft.topic])
    instance = UUID(call.request.hookInstance)
    changes, disclaimer = site_changes(ruleset, call.decision, draft), markdown.plain(call.decision.disclaimer, 600)
    detail = replace(draft, lines=(*draft.lines, *changes)).detail(
        service.longest_detail, disclaimer, rest=AT_THE_LINK if call.links else NOT_SHOWN
    )
    name = "\n".join([service.id, call.decision.at.isoformat(), draft.topic, draft.summary, detail, str(number)])
    suggestions = tuple(_suggested(offer, instance, name, position) for position, offer in enumerate(draft.offers))
    full = {FULL_TEXT: _full_text(draft, changes, disclaimer)} if call.request.wants_full_text else {}
    return Card(
        uuid=str(uuid5(instance, name)),
        summary=draft.summary,
        detail=detail,
        indicator=draft.indicator,
        source=Source(
            label=f"{ruleset.title} {ruleset.version} ({ruleset.hash[:12]})",
            url=explanation_url(call.settings.address),
            topic=topic,
        ),
        links=call.links,
        suggestions=suggestions,
        selectionBehavior=None if not suggestions else "any" if draft.any_offer else "at-most-one",
        overrideReasons=(
            override_reasons(urls, draft.topic, sized=not call.decision.leading)
            if draft.indicator != "info" or suggestions
            else ()
        ),
        extension={**({RULES: list(draft.rules)} if draft.rules else {}), **full},
    )


def _full_text(draft: Draft, changes: Sequence[CardLine], disclaimer: str) -> str:
    changed = markdown.bullets(line.text for line in changes)
    return markdown.joined([draft.full(), markdown.section("Changed by this site", changed), disclaimer])


def _suggested(offer: Offer, instance: UUID, card: str, position: int) -> Suggestion:
    return Suggestion(
        label=offer.label,
        uuid=str(uuid5(instance, f"{card}\n{position}\n{offer.label}")),
        isRecommended=True if offer.recommended else None,
        actions=offer.actions,
    )
