"""Hypothesis strategies: a patient's record as facts with their origins, what was refused, and tasks of every kind."""

from __future__ import annotations

from typing import get_args

from hypothesis import strategies as st

from rules.model.decision import Caution, Decision, NotUsed, RefusalKind, Task
from rules.model.facts import RecordedFact
from rules.model.ruleset import SEVERITIES, Ruleset
from rules.model.timing import Timing
from tests.rules.patients import patients

REFERENCES = st.one_of(
    st.none(),
    st.builds(
        "{}/{}".format,
        st.sampled_from(["Patient", "Encounter", "Observation", "Condition", "Procedure", "QuestionnaireResponse"]),
        st.from_regex(r"[A-Za-z0-9\-.]{1,12}", fullmatch=True),
    ),
    st.just("https://ehr.example.org/r4/Observation/7/_history/2"),
    # What a Bundle without server ids, or a careless client, may bring.
    st.sampled_from(["urn:uuid:2c66bf56-fb1b-5243-8dde-888b0704fbb3", "Observation/", "#1", " "]),
)


def recorded(ruleset: Ruleset) -> st.SearchStrategy[list[RecordedFact]]:
    """Any subset of the facts, each with where it came from."""

    def refer(facts: dict[str, object]) -> st.SearchStrategy[list[RecordedFact]]:
        return st.tuples(
            *(
                st.builds(RecordedFact, name=st.just(n), value=st.just(v), reference=REFERENCES)
                for n, v in facts.items()
            )
        ).map(list)

    return patients(ruleset).flatmap(refer)


REFUSALS = st.lists(
    st.builds(
        NotUsed,
        fact=st.one_of(st.none(), st.just("neck_height_mm")),
        # Whatever was written in the record, control characters and half characters too.
        value=st.text(),
        kind=st.sampled_from(get_args(RefusalKind)),
        reason=st.text(min_size=1),
        reference=st.one_of(st.none(), st.text()),
    ),
    max_size=3,
)

# Text of a site's own rules: never empty, otherwise anything.
WORDS = st.text(min_size=1)

RHYTHMS = st.sampled_from([{}, {"every_hours": 0.5}, {"every_hours": 8}, {"times_per_day": 1}, {"times_per_day": 3}])


def timings(ruleset: Ruleset) -> st.SearchStrategy[Timing]:
    """Every kind of timing."""
    return st.builds(
        lambda rhythm, **rest: Timing(**rhythm, **rest),
        RHYTHMS,
        on=st.lists(st.sampled_from(sorted(ruleset.triggers)), unique=True, max_size=2).map(tuple),
        within_hours=st.none() | st.integers(0, 96) | st.sampled_from([0.5, 1.5]),
        for_days=st.none() | st.integers(1, 90),
    )


def tasks(ruleset: Ruleset, rules: tuple[str, ...]) -> st.SearchStrategy[tuple[Task, ...]]:
    """Tasks, each of another name, asked for by any of ``rules``."""

    def described(timing: Timing, role: str, **rest: object) -> Task:
        words = {"timing_words": timing.describe(dict(ruleset.triggers)), "performer_words": ruleset.roles[role]}
        return Task.model_validate({"timing": timing, "performer": role, **words, **rest})

    one = st.builds(
        described,
        timings(ruleset),
        st.sampled_from(sorted(ruleset.roles)),
        task=st.from_regex(r"[a-z]{1,8}(_[a-z0-9]{1,8}){0,2}", fullmatch=True),
        title=WORDS,
        instruction=WORDS,
        details=st.lists(WORDS, max_size=2).map(tuple),
        request=st.sampled_from(["order", "activity"]),
        people=st.integers(1, 6),
        location=st.none() | WORDS,
        outcome=st.none() | WORDS,
        reasons=st.lists(WORDS, min_size=1, max_size=2).map(tuple),
        rules=st.lists(st.sampled_from(rules), min_size=1, max_size=3, unique=True).map(tuple),
    )
    return st.lists(one, unique_by=lambda task: task.task, max_size=4).map(tuple)


def rewritten(ruleset: Ruleset, decision: Decision) -> st.SearchStrategy[Decision]:
    """``decision`` with other tasks, cautions and refusals, as a site's own rules and record may give."""
    rules = tuple(entry.rule for entry in decision.trace)
    named = st.lists(st.sampled_from(rules), min_size=1, max_size=2, unique=True).map(tuple)
    cautions = st.lists(st.builds(Caution, severity=st.sampled_from(SEVERITIES), text=WORDS, rules=named), max_size=2)
    return st.builds(
        lambda **changes: decision.model_copy(update=changes),
        tasks=tasks(ruleset, rules),
        cautions=cautions.map(tuple),
        not_used=REFUSALS.map(tuple),
    )
