"""A decision as a link carries it: its facts and what was said, sealed, so that the same can be decided again."""

from __future__ import annotations

from datetime import datetime

from pydantic import ValidationError

from cds.security.sealed_links import LinkRefused, LinkSeal
from rules.model.decision import Decision, FrozenModel, NotUsed, RulesetIdentity
from rules.model.facts import RecordedFact


class Said(FrozenModel):
    """What a decision said, as far as a difference would matter."""

    size: str | None
    cautions: tuple[str, ...]
    tasks: tuple[str, ...]

    @classmethod
    def of(cls, decision: Decision) -> Said:
        """Size in words, cautions and reasons to give no size, tasks of ``decision``."""
        return cls(
            size=decision.size_class.words if decision.size_class else None,
            cautions=(*(one.summary for one in decision.holds), *(one.summary for one in decision.cautions)),
            tasks=tuple(f"{task.title}, {task.timing_words}" for task in decision.tasks),
        )


class LinkedDecision(FrozenModel):
    """Moment, content, facts with their records, what was not used, and what was said.

    ``patient`` is the id by which the EHR called, so that a session of another patient does not open it.
    """

    at: datetime
    ruleset: RulesetIdentity
    facts: tuple[RecordedFact, ...]
    not_used: tuple[NotUsed, ...]
    said: Said
    patient: str | None = None

    @classmethod
    def of(cls, decision: Decision, patient: str | None) -> LinkedDecision:
        """``decision`` about ``patient``."""
        return cls(
            at=decision.at,
            ruleset=decision.ruleset,
            facts=tuple(fact.model_copy(update={"original": None}) for fact in decision.facts),
            not_used=decision.not_used,
            said=Said.of(decision),
            patient=patient,
        )

    def sealed(self, seal: LinkSeal, issued: datetime) -> str:
        """As text that only ``seal`` opens; it lasts from the moment ``issued`` (with time zone)."""
        return seal.seal(self.model_dump_json(exclude_defaults=True).encode(), issued)

    @classmethod
    def opened(cls, text: str, seal: LinkSeal, at: datetime) -> LinkedDecision:
        """What ``seal`` sealed as ``text``, at the moment ``at`` (with time zone). Raises LinkRefused where it cannot be opened."""
        content = seal.open(text, at)
        try:
            return cls.model_validate_json(content)
        except ValidationError as error:
            raise LinkRefused("This link is of another release of the service; open a new one.") from error
