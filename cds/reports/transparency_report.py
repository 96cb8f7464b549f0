"""What regulators ask of decision support that rests on evidence, in one report: purpose, users, inputs, logic, basis, limits.

The headings follow what is asked of source attributes of decision support (45 CFR 170.315(b)(11), evidence-based) and the four
criteria of section 520(o)(1)(E) of the U.S. Federal Food, Drug, and Cosmetic Act; both from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cds.reports.report_blocks import Block, Report, Table, about, count
from rules.evaluation.hit_policy import choose
from rules.evaluation.interpreter import fire
from rules.model.durations import duration_words
from rules.model.facts import FactDefinition, FactValue
from rules.model.quantity_words import quantity_words
from rules.model.ruleset import EvidenceKind, Rule, Ruleset
from rules.testing.cases import Case
from rules.testing.generators import Generator
from rules.verification.invariants import Claim

_KINDS: dict[EvidenceKind, str] = {
    "published": "published source",
    "common_practice": "common practice, no source",
    "local_default": "local default of this project",
}
_SEX = "sex"
_PATIENTS = 500
"""So many generated patients show what a stand-in does."""


@dataclass(frozen=True)
class TransparencySection:
    """One heading: sentences, and a table where there is something to list."""

    title: str
    says: tuple[str, ...]
    columns: tuple[str, ...] = ()
    rows: Sequence[Sequence[str]] = ()


def transparency(ruleset: Ruleset, cases: Sequence[Case], claims: Sequence[Claim]) -> Report:
    """Everything about ``ruleset`` that its users and their regulators ask, with its worked ``cases`` and ``claims``."""
    sections = (
        _purpose(ruleset),
        _users(ruleset),
        _inputs(ruleset),
        _outputs(),
        _logic(ruleset),
        _sources(ruleset),
        _development(ruleset),
        _validation(cases, claims),
        _fairness(ruleset),
        _maintenance(ruleset),
        _limits(ruleset),
        _independent_review(ruleset),
    )
    return Report(
        title="Transparency",
        about=about(ruleset),
        summary=f"{count(len(ruleset.rules), 'rule')}, {count(len(ruleset.sources), 'source')}, and where they end.",
        findings=0,
        blocks=[block for section in sections for block in _blocks(section)],
        data={
            "ruleset": {"name": ruleset.name, "version": ruleset.version, "hash": ruleset.hash},
            "sections": [_data(section) for section in sections],
        },
    )


def _blocks(section: TransparencySection) -> Iterable[Block]:
    yield Table(section.title, ("",), [(sentence,) for sentence in section.says])
    if section.columns:
        yield Table(f"{section.title}, one by one", section.columns, section.rows)


def _data(section: TransparencySection) -> Mapping[str, Any]:
    listed = [dict(zip(section.columns, row, strict=True)) for row in section.rows]
    return {"title": section.title, "says": list(section.says)} | ({"listed": listed} if listed else {})


def _purpose(ruleset: Ruleset) -> TransparencySection:
    return TransparencySection(
        "Purpose",
        (
            f"{ruleset.title}: from what is recorded of a patient to a size class and care tasks, as drafts.",
            "It does not diagnose, does not read images or signals, and never says that a collar may come off.",
            ruleset.disclaimer,
        ),
    )


def _users(ruleset: Ruleset) -> TransparencySection:
    return TransparencySection(
        "Users",
        (
            "For the clinician who orders a collar, and for whoever fits it and cares for the skin under it.",
            "Every draft is signed or thrown away by a licensed clinician. It is not for patients and not for laypeople.",
        ),
        ("role", "carries out"),
        [
            (
                words,
                ", ".join(task.title for task in ruleset.tasks.values() if task.performer == role)
                or "what others pass on",
            )
            for role, words in ruleset.roles.items()
        ],
    )


def _inputs(ruleset: Ruleset) -> TransparencySection:
    given = [fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"]
    return TransparencySection(
        "Inputs",
        (
            f"{count(len(given), 'fact')} that an observer may record; each with its plausible values and, where it ages, a limit.",
            "What was not recorded stays unknown. For a danger, unknown is not safe.",
        ),
        ("fact", "accepted", "counts for"),
        [(fact.label, fact.accepted.replace("_", " "), _age_limits(ruleset, fact)) for fact in given],
    )


def _age_limits(ruleset: Ruleset, fact: FactDefinition) -> str:
    hours = ruleset.stale_after_hours(fact)
    if hours is None:
        return "always"
    longer = ruleset.looked_back_hours(fact)
    if fact.lasting is None:
        return duration_words(hours)
    words = {"True": "yes", "False": "no"}
    answers = ", ".join(words.get(str(one), str(one).replace("_", " ")) for one in fact.lasting.answers)
    until = "always" if longer is None else duration_words(longer)
    return f"{duration_words(hours)}; {answers}: {until}, unless a newer record says otherwise"


def _outputs() -> TransparencySection:
    return TransparencySection(
        "Outputs",
        (
            "A size class with its confidence (measured, observed, assumed) and its neighbours, or the reason why there is none.",
            "Cautions by severity; tasks with how often, by whom and with how many people; what to find out next.",
            "Each with the rules behind it, and each rule with its reason and its sources. No score and no probability.",
        ),
    )


def _logic(ruleset: Ruleset) -> TransparencySection:
    topics: dict[str, list[Rule]] = {}
    for rule in ruleset.rules.values():
        topics.setdefault(rule.topic, []).append(rule)
    return TransparencySection(
        "Logic",
        (
            "Rules that people wrote and can read, one by one; nothing is learned from data, and nothing changes by itself.",
            f"The rules stand in {count(len(ruleset.strata), 'layer')}; each reads only what earlier ones concluded.",
            "What is recorded stands above what is concluded; a measurement above an estimate, an estimate above a stand-in.",
        ),
        ("topic", "rules", "confirmed by"),
        [
            (topic.replace("_", " "), str(len(rules)), ruleset.confirmed_by.get(topic, "clinical safety officer"))
            for topic, rules in topics.items()
        ],
    )


def _sources(ruleset: Ruleset) -> TransparencySection:
    strongest = Counter(ruleset.evidence(rule)[0] for rule in ruleset.rules.values())
    shares = ", ".join(f"{_KINDS[kind]} {strongest[kind]}" for kind in _KINDS)
    recalled = sum(source.from_memory for source in ruleset.sources.values())
    resting = Counter(cited for rule in ruleset.rules.values() for cited in rule.sources)
    return TransparencySection(
        "Sources and their quality",
        (
            f"Rules by the strongest basis that each names: {shares}.",
            f"{count(recalled, 'source')} recalled from memory and marked so, to be read before use.",
        ),
        ("source", "kind", "rules"),
        [
            (
                source.citation + (" (from memory)" if source.from_memory else ""),
                _KINDS[source.kind],
                str(resting[source.id]),
            )
            for source in ruleset.sources.values()
        ],
    )


def _development(ruleset: Ruleset) -> TransparencySection:
    return TransparencySection(
        "Development",
        (
            "Written from published sources and common practice, as data that loads only with a source and a reason.",
            "No patient data went into it, and no product or maker is named in it.",
            "Who confirms which topic at a site is written in the content; that it was confirmed is for the site to record.",
            f"This content is {ruleset.name} {ruleset.version}, SHA-256 {ruleset.hash}.",
        ),
    )


def _validation(cases: Sequence[Case], claims: Sequence[Claim]) -> TransparencySection:
    return TransparencySection(
        "Validation",
        (
            "Not tried on patients: no clinical study of this content exists. What follows is verification.",
            "A site can replay its own past patients (`nuque rules replay`) before anything is shown to anybody.",
        ),
        ("what", "how much", "command"),
        [
            ("worked cases, expected beside decided", str(len(cases)), "nuque rules test"),
            ("claims about every plausible patient, proved by a solver", str(len(claims)), "nuque rules prove"),
            (
                "engines of others on generated patients, beside the service",
                "rules and size in CQL, rules in FHIRPath, tables in DMN",
                "python -m tests.published.engines",
            ),
        ],
    )


def _fairness(ruleset: Ruleset) -> TransparencySection:
    reading = [rule for rule in ruleset.rules.values() if _SEX in rule.reads]
    changed, measured = _changed_by_sex(ruleset)
    return TransparencySection(
        "Fairness",
        (
            "Sex stands in for a neck that was not measured; a measurement replaces it. Origin and income are not asked.",
            f"Of {_PATIENTS} generated patients, {changed} get another size if only the recorded sex is another; "
            f"of those among them whose neck is measured, {measured}.",
            "For intersex and transgender people, and where sex is recorded as unknown, the stand-in may be wrong: measure.",
            "Which source stands behind a stand-in says the register; a body form that nobody studied may be fitted worse.",
        ),
        ("rule that reads sex", "why"),
        [(rule.title, rule.because) for rule in reading] or [("none", "no rule reads it")],
    )


def _changed_by_sex(ruleset: Ruleset) -> tuple[int, int]:
    """In how many generated patients the size changes with sex alone, and in how many of these the neck is measured."""
    if _SEX not in ruleset.vocabulary:
        return 0, 0
    girths = {axis.fact for axis in ruleset.axes.values() if axis.fact}
    changed = [
        facts
        for facts in Generator(ruleset).patients(_PATIENTS)
        if _size(ruleset, {**facts, _SEX: "female"}) != _size(ruleset, {**facts, _SEX: "male"})
    ]
    return len(changed), sum(girths <= facts.keys() for facts in changed)


def _size(ruleset: Ruleset, facts: Mapping[str, FactValue]) -> tuple[str, ...] | None:
    return choose(ruleset, fire(ruleset, facts).fired).outcome


def _maintenance(ruleset: Ruleset) -> TransparencySection:
    local = len(ruleset.local_changes)
    return TransparencySection(
        "Maintenance",
        (
            "Content has a version and a hash that every answer carries; a change says first whose decision it changes "
            "(`nuque rules compare`).",
            f"A site changes thresholds, switches rules off or adds some in files of its own: here {count(local, 'change')}.",
            "What clinicians answer to cards is kept for review; a fault that could hurt is reported as docs/security.md "
            "and docs/contributing.md say.",
            "No interval of review is built in: the site sets one, and reads the sources again then.",
        ),
    )


def _limits(ruleset: Ruleset) -> TransparencySection:
    confirm = [parameter for parameter in ruleset.parameters.values() if parameter.confirm]
    return TransparencySection(
        "Limits",
        (
            "It knows what is recorded and coded, and nothing else; a code that it cannot read is listed, not guessed.",
            f"{count(len(confirm), 'threshold')} of {len(ruleset.parameters)} ask for confirmation by the site before use:",
        ),
        ("threshold", "value", "meaning"),
        [
            (parameter.name.replace("_", " "), quantity_words(parameter.value, parameter.unit), parameter.meaning)
            for parameter in confirm
        ],
    )


def _independent_review(ruleset: Ruleset) -> TransparencySection:
    return TransparencySection(
        "Independent review of the basis",
        (
            "Our reading, and no legal advice; whether it is a medical device where it is used, the site's counsel says.",
            "The clinician can review the basis of each recommendation without relying on it: every line names its rules, "
            "every rule its condition, the values of this patient that met it, its reason and its sources.",
            "What is not known, assumed, stale or refused is said beside it; what was recalled or is our own is marked so.",
            "There is a limit: where minutes count, nobody reviews a basis. Critical cautions say what to do first, and leave the "
            "decision with the clinician at the bedside.",
            "It analyses no image, signal or pattern, and is meant for licensed clinicians alone.",
        ),
    )
