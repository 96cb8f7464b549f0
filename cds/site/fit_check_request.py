"""What a caller sends for a fit check, by HTTP or as a file: plain JSON, or a QuestionnaireResponse; and the check it makes."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.questionnaire import read_response
from cds.protocol.moments import Moment
from cds.site.catalogue import Catalogue
from rules.deciding.fit_check import FitAttempt, FitCheck, StockedItem
from rules.model.ruleset import Ruleset

_RESPONSE = "QuestionnaireResponse"


EXAMPLE: dict[str, Any] = {
    "size": "adult H2 G2",
    "findings": {"no_finger_gap": True, "slack_in_collar": False},
    "facts": {"age_years": 41, "head_position": "neutral"},
    "history": [{"size": "adult H2 G2", "findings": {"no_finger_gap": True}}],
    "at": "2026-01-31T10:00:00Z",
}
"""A body of ``POST /fit-checks``."""


class FitCheckRequest(BaseModel):
    """One fit check: ``size`` and ``findings``, or ``response`` with both. A bare QuestionnaireResponse is taken as such.

    ``history`` holds the earlier checks of this fitting, oldest first, each in either form.
    """

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [EXAMPLE]})

    size: str | None = Field(default=None, description="size class worn, as it is written: `adult H3 G2`")
    item: str | None = Field(default=None, description="the site's item worn")
    findings: dict[str, StrictBool] = Field(
        default_factory=dict, description="what was looked at, and whether the fault was found"
    )
    response: dict[str, Any] | None = Field(default=None, description="a QuestionnaireResponse to our fit check")
    facts: dict[str, Any] = Field(default_factory=dict, description="facts about the patient, as in POST /decisions")
    history: list[dict[str, Any]] = Field(default_factory=list, max_length=100)
    shelf: list[StockedItem] | None = Field(
        default=None,
        max_length=10_000,
        description="items that may be offered; default: the site's catalogue, else every size class",
    )
    at: Moment | None = Field(default=None, description="moment of the check, with time zone; default: now")

    @model_validator(mode="before")
    @classmethod
    def _bare_response(cls, sent: Any) -> Any:
        return {"response": sent} if isinstance(sent, dict) and sent.get("resourceType") == _RESPONSE else sent

    @model_validator(mode="after")
    def _one_form(self) -> FitCheckRequest:
        if (self.size is None) == (self.response is None):
            raise ValueError("give either size (with findings) or response")
        if self.response is not None and (self.findings or self.item is not None):
            raise ValueError("findings and item come from the response; leave them out")
        return self

    def check(self, ruleset: Ruleset, urls: Canonicals, catalogue: Catalogue | None = None) -> FitCheck:
        """The check; without a shelf of its own it is limited to ``catalogue``, where the site has one.

        A response is read by axes and findings of ``ruleset`` and codes under ``urls``. Raises FactError where one
        cannot be used, pydantic's ValidationError where an attempt cannot.
        """
        if self.response is not None:
            worn = read_response(self.response, ruleset, urls)
        else:
            worn = FitAttempt(size=self.size or "", item=self.item, findings=self.findings)
        return FitCheck(
            size=worn.size,
            item=worn.item,
            findings=worn.findings,
            facts=self.facts,
            history=tuple(_attempt(earlier, ruleset, urls) for earlier in self.history),
            shelf=self._shelf(catalogue),
        )

    def _shelf(self, catalogue: Catalogue | None) -> tuple[StockedItem, ...] | None:
        if self.shelf is not None:
            return tuple(self.shelf)
        return None if catalogue is None else catalogue.for_fit_checks()


def _attempt(sent: dict[str, Any], ruleset: Ruleset, urls: Canonicals) -> FitAttempt:
    if sent.get("resourceType") == _RESPONSE:
        return read_response(sent, ruleset, urls)
    return FitAttempt.model_validate(sent)
