"""A decision that a link opened: decided again at its moment, with its records; and what changed since, where something did."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from cds.hooks.cards.linked_decision import LinkedDecision, Said
from cds.operation_outcome import Issue, RefusedCall
from cds.security.caller import current_caller
from cds.security.sealed_links import LinkRefused
from cds.web.dependencies import Service
from cds.web.pages.fact_form import FactForm, as_posted
from cds.web.pages.form_posts import Form
from rules.model.decision import Decision, NotUsed
from rules.model.facts import FactValue, RecordedFact

_AGE = "age_years"
_WHOLE_YEARS_FROM = 2
"""Younger children are told in years and parts of one."""

LINK = "link"
"""Field in which a page posts the sealed decision that it was opened with."""


@dataclass(frozen=True)
class Opened:
    """The sealed text and what was in it; or why it could not be opened."""

    sealed: str = ""
    decision: LinkedDecision | None = None
    problem: str | None = None

    @property
    def fields(self) -> dict[str, str]:
        """The facts as they stand in the form, rounded to what anybody says; decided is by the records."""
        facts = self.decision.facts if self.decision else ()
        return as_posted({fact.name: _rounded(fact) for fact in facts})

    def basis(self, form: FactForm, now: datetime) -> Basis:
        """What to decide by: the records as they were while nobody changed a value, else what stands in ``form``.

        Then it is decided at the moment ``now`` (with time zone).
        """
        if self.decision is None:
            return Basis([RecordedFact(name=name, value=value) for name, value in form.facts.items()], now, (), False)
        recorded = {fact.name: fact for fact in self.decision.facts}
        typed = {name: one for name, one in form.typed.items() if one != self.fields.get(name, "")}
        if not typed and form.facts.keys() == recorded.keys():
            return Basis(self.decision.facts, self.decision.at, self.decision.not_used, True)
        kept = [
            recorded[name] if name in recorded and name not in typed else RecordedFact(name=name, value=value)
            for name, value in form.facts.items()
        ]
        return Basis(kept, now, self.decision.not_used, False)


def _rounded(fact: RecordedFact) -> FactValue:
    """Years reckoned from a date of birth as people count them; a part of a metre or of a year to two figures."""
    if not isinstance(fact.value, float):
        return fact.value
    if fact.name == _AGE and fact.value >= _WHOLE_YEARS_FROM:
        return int(fact.value)
    return float(f"{fact.value:.{2 if abs(fact.value) < 1 else 4}g}")


@dataclass(frozen=True)
class Basis:
    """Facts, moment and what was not used; ``as_opened`` while they are those of the link."""

    facts: Sequence[RecordedFact]
    at: datetime
    not_used: Sequence[NotUsed]
    as_opened: bool


def opened(service: Service, form: Form) -> Opened:
    """What the link in ``form`` holds, opened by ``service``; it is taken out of ``form``.

    Raises RefusedCall where it is another patient's.
    """
    sealed = form.pop(LINK, "")
    if not sealed:
        return Opened()
    try:
        found = LinkedDecision.opened(sealed, service.links, service.clock())
    except LinkRefused as refused:
        return Opened(problem=str(refused))
    session = current_caller.get().patient
    if session is not None and found.patient != session:
        text = "this link is about another patient than the one whose chart is open; open it from that patient's chart"
        raise RefusedCall(403, [Issue(LINK, text, "forbidden")])
    return Opened(sealed, found)


def changed_since(linked: LinkedDecision, decision: Decision) -> list[str]:
    """What ``decision`` says otherwise than the one ``linked``, in words; empty where it says the same."""
    return list(_changes(linked.said, Said.of(decision)))


def _changes(before: Said, after: Said) -> Iterator[str]:
    if before.size != after.size:
        yield f"Size: {after.size or 'none'}; it was {before.size or 'none'}."
    for words, old, new in (
        ("Caution", before.cautions, after.cautions),
        ("Task", before.tasks, after.tasks),
    ):
        yield from (f"{words}, new: {one}" for one in new if one not in old)
        yield from (f"{words}, no longer: {one}" for one in old if one not in new)
