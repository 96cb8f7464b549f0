"""Answers that are put together where they are sent, as models: for their description only, nothing is checked by them."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from cds.site.catalogue_matching import Shelf
from rules.model.decision import Decision, RulesetIdentity
from rules.model.ruleset import EvidenceKind


class _AnswerModel(BaseModel):
    model_config = ConfigDict(extra="forbid")


class DecisionAnswer(Decision):
    """Everything said of one patient at one moment; null and what is empty is left out.

    ``settled`` is true where nothing that is still unknown can change the size, and nothing asks to
    measure again. With a catalogue, ``stock`` names the items that fit, nearest first.
    """

    stock: Shelf | None = None


class DescribedService(_AnswerModel):
    """A CDS Hooks service, and the prefetch that it asks for."""

    hook: str
    id: str
    version: str
    title: str
    description: str
    prefetch: dict[str, str]
    usageRequirements: str


class Discovery(_AnswerModel):
    """All services (HL7 CDS Hooks 2.0)."""

    services: list[DescribedService]


class FeedbackKept(_AnswerModel):
    """Nothing: all of it is kept."""


class FactRow(_AnswerModel):
    """A fact: its name, its code in FHIR, what is accepted, what it means, and after how many hours it is too old."""

    name: str
    code: str
    meaning: str
    accepted: str
    unit: str | None
    given: str
    usable_for_hours: float | None
    usable_longer: dict[str, float]
    usable_for_good: list[str]
    read_by_rules: int


class Facts(_AnswerModel):
    """The vocabulary."""

    facts: list[FactRow]


class RuleRow(_AnswerModel):
    """A rule in short."""

    id: str
    title: str
    because: str
    sources: list[str]


class Rules(_AnswerModel):
    """The rule set in use, with every rule in short."""

    name: str
    title: str
    version: str
    hash: str
    disclaimer: str
    rules: list[RuleRow]


class CitedSource(_AnswerModel):
    """What a rule rests on."""

    citation: str
    from_memory: bool


class OneRule(_AnswerModel):
    """A rule: when it fires, what it does, why, and what stands behind it."""

    id: str
    topic: str
    title: str
    because: str
    reads: list[str]
    concludes: list[str]
    parameters: list[str]
    evidence: list[EvidenceKind]
    sources: dict[str, CitedSource]
    local: bool
    text: str


class Alive(_AnswerModel):
    """The process lives."""

    status: Literal["live"]


class Readiness(_AnswerModel):
    """Whether calls can be answered, by which rule set; and what is failing, by its name."""

    status: Literal["ready", "not ready"]
    ruleset: RulesetIdentity
    failing: dict[str, str] | None


class ReloadDone(_AnswerModel):
    """The stamps of the rule set before and after, how many cases were run, and what lint remarked."""

    before: str
    after: str
    cases: int
    remarks: list[str]


class OutcomeIssue(_AnswerModel):
    """One thing that is wrong, and what to do; ``expression`` names the field. ``code`` is a FHIR issue type."""

    severity: Literal["error"]
    code: str
    diagnostics: str
    expression: list[str] | None


class OperationOutcome(_AnswerModel):
    """Why a call is refused (FHIR R4)."""

    resourceType: Literal["OperationOutcome"]
    issue: list[OutcomeIssue] = Field(min_length=1)


class FactProblem(_AnswerModel):
    """A fact that cannot be used: the value as it was sent, and what is accepted."""

    fact: str
    value: Any
    message: str
    accepted: str


class UnusableFacts(_AnswerModel):
    """The facts that cannot be used."""

    problems: list[FactProblem] = Field(min_length=1)


class PublishedArtefact(BaseModel):
    """A FHIR R4 resource: one of the artefacts drawn from the rule set."""

    model_config = ConfigDict(extra="allow")

    resourceType: str
    id: str
    url: str
    version: str
    name: str
    title: str
    status: str
    description: str
    publisher: str


class BundleLink(_AnswerModel):
    """The search as it was understood."""

    relation: Literal["self"]
    url: str


class SearchMode(_AnswerModel):
    """Why an entry is there."""

    mode: Literal["match"]


class BundleEntry(_AnswerModel):
    """One artefact that was found."""

    fullUrl: str
    resource: PublishedArtefact
    search: SearchMode


class SearchsetBundle(_AnswerModel):
    """What was found (FHIR R4)."""

    resourceType: Literal["Bundle"]
    type: Literal["searchset"]
    total: int
    link: list[BundleLink]
    entry: list[BundleEntry] | None


class CapabilityStatement(BaseModel):
    """What can be read and searched (FHIR R4)."""

    model_config = ConfigDict(extra="allow")

    resourceType: Literal["CapabilityStatement"]
    status: Literal["active"]
    date: str
    kind: Literal["instance"]
    fhirVersion: str
    format: list[str]
    rest: list[dict[str, Any]]
