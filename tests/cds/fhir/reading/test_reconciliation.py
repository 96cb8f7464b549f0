"""Which of several findings is used, and what is said of the rest. The limits of age are those of the shipped vocabulary."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from cds.fhir.reading.code_map import Episode
from cds.fhir.reading.reconciliation import Accepted, Rejected, choose, stale, unmodified
from cds.fhir.reading.rejection import RejectionReason
from rules.model.decision import NotUsed
from rules.model.facts import RecordedFact
from tests.cds.fhir.reading.sent import AT, code_map, of_patient, record, ruleset


def ago(hours: float | None) -> datetime | None:
    return None if hours is None else AT - timedelta(hours=hours)


def given(fact: str, value: Any, hours: float | None = 1, name: str = "a", **more: Any) -> Accepted:
    """A usable value, recorded so many hours ago."""
    return Accepted(fact, value, f"{value} by {name}", f"label {name}", f"Observation/{name}", ago(hours), **more)


def refused(fact: str | None, kind: Any, value: str = "x", hours: float | None = 1, **more: Any) -> Rejected:
    return Rejected(fact, value, RejectionReason(kind, "the reason", **more), "label r", ago(hours))


def choice(*findings: Accepted | Rejected, **changes: Any) -> tuple[list[str], list[tuple[str, str, str, str | None]]]:
    """What is used, as it was written; and of the rest how it was written, the kind, the reason, and what is to be looked up."""
    found = choose(findings, ruleset(), replace(code_map(), **changes), AT)
    used = [str(fact.original) for fact in found.facts]
    return used, [(one.value, one.kind, one.reason, one.look_up) for one in found.not_used]


def test_what_is_used_and_what_is_not_keep_where_they_came_from() -> None:
    found = choose([given("bed_rest", True), refused("weight_kg", "unit")], ruleset(), code_map(), AT)
    fact = RecordedFact(name="bed_rest", value=True, reference="Observation/a", recorded=ago(1), original="True by a")
    not_used = NotUsed(fact="weight_kg", value="x", kind="unit", reason="the reason", reference="label r")
    assert (found.facts, found.not_used) == ((fact,), (not_used,))
    assert choose([], ruleset(), code_map(), AT).facts == ()


def test_what_is_refused_for_its_age_or_a_contradiction_names_its_record() -> None:
    found = choose([given("neck_swelling", True, 48)], ruleset(), code_map(), AT)
    assert found.not_used == (
        NotUsed(
            fact="neck_swelling",
            value="True by a",
            kind="stale",
            reason="stale: 48 hours old, and the limit is 24 hours",
            reference="label a",
            look_up="neck swelling: True by a, 2026-01-29 10:00",
        ),
    )


def test_facts_stand_in_the_order_of_the_vocabulary() -> None:
    used, _ = choice(
        given("bed_rest", True), given("weight_kg", 80, name="b"), given("hours_since_injury", 3, name="c")
    )
    order = {name: place for place, name in enumerate(ruleset().vocabulary)}
    expected = sorted(
        [("bed_rest", "True by a"), ("weight_kg", "80 by b"), ("hours_since_injury", "3 by c")],
        key=lambda one: order[one[0]],
    )
    assert used == [written for _, written in expected]


# --- the newest, and what stands above --------------------------------------------------------------------------------

SWOLLEN = "neck_swelling"
STALE_24 = "stale: 48 hours old, and the limit is 24 hours"
PASSED = "swallow_screen_passed"


def swollen(hours: float) -> str:
    """How a swelling is named that was recorded so many hours ago, and that nothing since denies."""
    return f"neck swelling: True by a, {ago(hours):%Y-%m-%d %H:%M}"


def above(written: str, name: str) -> str:
    value = f"{written} by {name} (label {name})"
    return f"newer than {value}, which stands above it and is used: have one corrected"


@pytest.mark.parametrize(
    ("findings", "used", "rest"),
    [
        ([given(SWOLLEN, True, 2), given(SWOLLEN, False, 1, "b")], ["False by b"], []),
        ([given(SWOLLEN, True, 1), given(SWOLLEN, False, 2, "b")], ["True by a"], []),
        ([given(SWOLLEN, True, 1), given(SWOLLEN, True, 1, "b")], ["True by a"], []),
        ([given(SWOLLEN, True, 1, "b"), given(SWOLLEN, True, 1, "a")], ["True by a"], []),
        # What has no time is older than all others, and may be too old.
        ([given("osteoporosis", True, None, ages=False), given("osteoporosis", False, 100, "b")], ["False by b"], []),
        ([given("bed_rest", True, None, ages=False)], ["True by a"], []),
        ([given("wear_order", "day_and_night", None)], ["day_and_night by a"], []),
        (
            [given(SWOLLEN, True, None)],
            [],
            [
                (
                    "True by a",
                    "no time",
                    "no time is recorded, so it may be older than the limit of 24 hours",
                    "neck swelling: True by a (no time is recorded, so it may be older than the limit of 24 hours)",
                )
            ],
        ),
        # Up to the limit, and not longer.
        ([given(SWOLLEN, True, 24)], ["True by a"], []),
        (
            [given(SWOLLEN, True, 24.001)],
            [],
            [("True by a", "stale", "stale: over 24 hours old, and the limit is 24 hours", swollen(24.001))],
        ),
        (
            [given(SWOLLEN, True, 720)],
            [],
            [("True by a", "stale", "stale: 30 days old, and the limit is 24 hours", None)],
        ),
        ([given(SWOLLEN, True, 1000, ages=False)], ["True by a"], []),
        ([given(SWOLLEN, True, 1000, latest=ago(24))], ["True by a"], []),
        ([given(SWOLLEN, True, 1000, latest=ago(48))], [], [("True by a", "stale", STALE_24, swollen(1000))]),
        (
            [given(SWOLLEN, True, 48), given(SWOLLEN, False, 49, "b")],
            [],
            [("True by a", "stale", f"{STALE_24}; 1 older value not listed", swollen(48))],
        ),
        (
            [given(SWOLLEN, True, 49), given(SWOLLEN, False, 48, "b"), given(SWOLLEN, False, 60, "c")],
            [],
            [("False by b", "stale", f"{STALE_24}; 2 older values not listed", None)],
        ),
        # A higher standing goes before newer; what is denied by it is listed, where it is a yes or a no.
        (
            [given(SWOLLEN, True, 5, standing=1), given(SWOLLEN, False, 1, "b")],
            ["True by a"],
            [("False by b", "contradiction", above("True", "a"), None)],
        ),
        ([given(SWOLLEN, True, 5, standing=1), given(SWOLLEN, True, 1, "b")], ["True by a"], []),
        ([given(SWOLLEN, True, 5, standing=1), given(SWOLLEN, False, 5, "b")], ["True by a"], []),
        ([given(SWOLLEN, True, 5, standing=1), given(SWOLLEN, False, 6, "b")], ["True by a"], []),
        (
            [
                given(SWOLLEN, True, 5),
                given(SWOLLEN, True, 1, "b", standing=-1),
                given(SWOLLEN, False, 2, "c", standing=-1),
            ],
            ["True by a"],
            [("False by c", "contradiction", above("True", "a"), None)],
        ),
        ([given("weight_kg", 80, 5, standing=1), given("weight_kg", 60, 1, "b")], ["80 by a"], []),
        ([given("age_years", 40, None, standing=1, ages=False), given("age_years", 20, 1, "b")], ["40 by a"], []),
        # A standing does not help what is too old.
        ([given(SWOLLEN, True, 48, standing=1), given(SWOLLEN, False, 1, "b")], ["False by b"], []),
        # An answer that lasts.
        ([given(PASSED, False, 2160)], ["False by a"], []),
        (
            [given(PASSED, False, 2161)],
            [],
            [("False by a", "stale", "stale: 3 months old, and the limit is 90 days", None)],
        ),
        ([given(PASSED, True, 80)], [], [("True by a", "stale", "stale: 3.5 days old, and the limit is 3 days", None)]),
        ([given(PASSED, False, 80), given(PASSED, True, 1, "b")], ["True by b"], []),
        (
            [given(PASSED, False, 90), given(PASSED, True, 80, "b")],
            [],
            [("True by b", "stale", "stale: 3.5 days old, and the limit is 3 days; 1 older value not listed", None)],
        ),
        (
            [given(PASSED, False, 80), given(PASSED, True, 1, "b", standing=-1)],
            ["False by a"],
            [("True by b", "contradiction", above("False", "a"), None)],
        ),
        ([given(PASSED, False, 80, standing=-1), given(PASSED, True, 1, "b", standing=-1)], ["True by b"], []),
        # Above stands an answer that does not last: then the fresh one is used.
        ([given(PASSED, True, 80), given(PASSED, False, 1, "b", standing=-1)], ["False by b"], []),
        ([given("ct_neck", "positive", 100_000)], ["positive by a"], []),
        (
            [given("osteoporosis", True, 9_000), given("osteoporosis", False, 9_000, "b")],
            [],
            [
                (
                    "True by a",
                    "contradiction",
                    "contradicts False by b (label b) of the same moment; none is used",
                    None,
                ),
                (
                    "False by b",
                    "contradiction",
                    "contradicts True by a (label a) of the same moment; none is used",
                    None,
                ),
            ],
        ),
        (
            [
                given("osteoporosis", True, 9_000),
                given("osteoporosis", False, 9_000, "b"),
                given("osteoporosis", True, 1, "c", standing=-1),
            ],
            ["True by c"],
            [
                (
                    "True by a",
                    "contradiction",
                    "contradicts False by b (label b) of the same moment; none is used",
                    None,
                ),
                (
                    "False by b",
                    "contradiction",
                    "contradicts True by a (label a) of the same moment; none is used",
                    None,
                ),
            ],
        ),
    ],
)
def test_one_value_is_used_and_the_rest_is_said_where_it_matters(
    findings: list[Accepted], used: list[str], rest: list[Any]
) -> None:
    assert choice(*findings) == (used, rest)
    assert choice(*findings[::-1]) == (used, rest)


@pytest.mark.parametrize(
    ("fact", "value", "hours", "named"),
    [
        (SWOLLEN, True, 72, True),
        (SWOLLEN, True, 72.001, False),
        (SWOLLEN, False, 48, False),
        ("glasgow_coma_score", 14, 48, True),
        ("glasgow_coma_score", 15, 48, False),
        ("responsiveness", "pain", 48, True),
        ("responsiveness", "alert", 48, False),
        ("collar_in_place", False, 20, False),
    ],
)
def test_a_stale_danger_that_nothing_denies_is_named_for_three_days(
    fact: str, value: Any, hours: float, named: bool
) -> None:
    """A danger stands until somebody records that it is over; one of the day before yesterday is looked at, not used."""
    used, rest = choice(given(fact, value, hours))
    ((written, kind, _, look_up),) = rest
    assert (used, written, kind) == ([], f"{value} by a", "stale")
    label = ruleset().vocabulary[fact].label
    assert look_up == (f"{label}: {value} by a, {ago(hours):%Y-%m-%d %H:%M}" if named else None)


def test_a_stale_danger_is_not_named_where_something_newer_was_found() -> None:
    assert choice(given("glasgow_coma_score", 7, 48), given("glasgow_coma_score", 15, 2, "b")) == (["15 by b"], [])
    used, rest = choice(given("glasgow_coma_score", 7, 48), given("glasgow_coma_score", 15, 47, "b"))
    assert (used, [one[3] for one in rest]) == ([], [None])


# --- contradictions ---------------------------------------------------------------------------------------------------

GIRTH = "neck_circumference_mm"


def against(written: str, name: str) -> str:
    return f"contradicts {written} by {name} (label {name}) of the same moment; none is used"


def safer(written: str, name: str) -> str:
    return f"contradicts {written} by {name} (label {name}) of the same moment, which is safer to assume"


@pytest.mark.parametrize(
    ("findings", "used", "rest"),
    [
        # Half a percent of the larger is one measurement, rounded twice.
        ([given(GIRTH, 400), given(GIRTH, 398, name="b")], ["400 by a"], []),
        ([given(GIRTH, 398), given(GIRTH, 400, name="b")], ["398 by a"], []),
        (
            [given(GIRTH, 400), given(GIRTH, 397.9, name="b")],
            [],
            [("400 by a", against("397.9", "b")), ("397.9 by b", against("400", "a"))],
        ),
        (
            [given(GIRTH, 400), given(GIRTH, 401, name="b"), given(GIRTH, 402.5, name="c")],
            [],
            [
                ("400 by a", against("402.5", "c")),
                ("401 by b", against("400", "a")),
                ("402.5 by c", against("400", "a")),
            ],
        ),
        (
            [given(GIRTH, 400), given(GIRTH, 450, name="b"), given(GIRTH, 402, name="c")],
            [],
            [("400 by a", against("450", "b")), ("450 by b", against("400", "a")), ("402 by c", against("450", "b"))],
        ),
        # Each finds one that it contradicts: the first, the first that is another, the lowest or the highest.
        (
            [
                given(GIRTH, 400),
                given(GIRTH, 403, name="b"),
                given(GIRTH, 401.5, name="c"),
                given(GIRTH, 398, name="d"),
            ],
            [],
            [
                ("400 by a", against("403", "b")),
                ("403 by b", against("400", "a")),
                ("401.5 by c", against("398", "d")),
                ("398 by d", against("403", "b")),
            ],
        ),
        (
            [
                given(GIRTH, 400),
                given(GIRTH, 397, name="b"),
                given(GIRTH, 398.5, name="c"),
                given(GIRTH, 402, name="d"),
            ],
            [],
            [
                ("400 by a", against("397", "b")),
                ("397 by b", against("400", "a")),
                ("398.5 by c", against("402", "d")),
                ("402 by d", against("397", "b")),
            ],
        ),
        (
            [given("habitus", "slight"), given("habitus", "heavy", name="b")],
            [],
            [("slight by a", against("heavy", "b")), ("heavy by b", against("slight", "a"))],
        ),
        (
            [given("bed_rest", False), given("bed_rest", True, name="b"), given("bed_rest", False, name="c")],
            [],
            [
                ("False by a", against("True", "b")),
                ("True by b", against("False", "a")),
                ("False by c", against("True", "b")),
            ],
        ),
        # Of a danger the dangerous answer is taken.
        ([given(SWOLLEN, False), given(SWOLLEN, True, name="b")], ["True by b"], [("False by a", safer("True", "b"))]),
        (
            [given(SWOLLEN, True), given(SWOLLEN, False, name="b"), given(SWOLLEN, True, name="c")],
            ["True by a"],
            [("False by b", safer("True", "a"))],
        ),
        ([given(PASSED, True), given(PASSED, False, name="b")], ["False by b"], [("True by a", safer("False", "b"))]),
        (
            [given("ct_neck", "negative"), given("ct_neck", "positive", name="b")],
            ["positive by b"],
            [("negative by a", safer("positive", "b"))],
        ),
        (
            [given("ct_neck", "negative"), given("ct_neck", "not_done", name="b")],
            [],
            [("negative by a", against("not_done", "b")), ("not_done by b", against("negative", "a"))],
        ),
        # Of another moment or standing is no contradiction.
        ([given("bed_rest", False, 1), given("bed_rest", True, 1.001, "b")], ["False by a"], []),
        ([given("weight_kg", 80, 1, standing=1), given("weight_kg", 40, 1, "b")], ["80 by a"], []),
        ([given(GIRTH, 0), given(GIRTH, 0, name="b")], ["0 by a"], []),
    ],
)
def test_values_of_one_moment_that_contradict_each_other(
    findings: list[Accepted], used: list[str], rest: list[Any]
) -> None:
    found = choice(*findings)
    assert found == (used, [(written, "contradiction", reason, None) for written, reason in rest])


# --- what is refused, beside what is used -----------------------------------------------------------------------------

WHY = "the reason"
LOOK = "neck swelling: x (the reason)"
MAY_HOLD = ("no time", "future", "unit", "code", "malformed", "modifier")
IS_OVER = ("stale", "implausible", "contradiction", "status", "patient", "incomplete", "coarse", "retired", "no value")


@pytest.mark.parametrize(
    ("rejected", "used", "expected"),
    [
        # An older value stands in.
        (
            refused("weight_kg", "unit", hours=1),
            given("weight_kg", 80, 2),
            f"{WHY}; the older value 80 by a (label a) is used instead",
        ),
        (refused("weight_kg", "unit", hours=2), given("weight_kg", 80, 1), WHY),
        (refused("weight_kg", "unit", hours=1), given("weight_kg", 80, 1), WHY),
        (refused("weight_kg", "unit", hours=None), given("weight_kg", 80, 1), WHY),
        (refused("age_years", "unit", hours=1), given("age_years", 80, None), WHY),
        (refused("weight_kg", "unit", hours=1), given("bed_rest", True, 2), WHY),
        (refused(None, "code", hours=1), given("bed_rest", True, 2), WHY),
    ],
)
def test_a_refusal_says_whether_an_older_value_stands_in(rejected: Rejected, used: Accepted, expected: str) -> None:
    assert choice(rejected, used) == ([used.written], [("x", rejected.why.kind, expected, None)])


@pytest.mark.parametrize(
    ("rejected", "used", "expected"),
    [
        # A person has to look, whatever the fact.
        (refused(None, "unread"), None, "x"),
        (refused(SWOLLEN, "unread"), given(SWOLLEN, False), "x"),
        (refused("bed_rest", "incomplete", look_up=True), None, "x"),
        (refused("bed_rest", "incomplete", look_up=True), given("bed_rest", False), None),
        (refused("bed_rest", "incomplete", look_up=True), given("bed_rest", False, 2), "x"),
        (refused(None, "incomplete"), None, None),
        # What may be a danger: of these kinds, or not signed yet.
        *[(refused(SWOLLEN, kind), None, LOOK) for kind in MAY_HOLD],
        *[(refused(SWOLLEN, kind), None, None) for kind in IS_OVER],
        (refused(SWOLLEN, "status", unsettled=True), None, LOOK),
        (refused("bed_rest", "unit"), None, None),
        (refused(None, "code"), None, None),
        # It is used already, or denied since.
        (refused(SWOLLEN, "unit", hours=1), given(SWOLLEN, True, 2), None),
        (refused(SWOLLEN, "unit", hours=1), given(SWOLLEN, False, 2), LOOK),
        (refused(SWOLLEN, "unit", hours=1), given(SWOLLEN, False, 1), None),
        (refused(SWOLLEN, "unit", hours=2), given(SWOLLEN, False, 1), None),
        # Of what has no time nobody can say that the denial is later.
        (refused(SWOLLEN, "unit", hours=None), given(SWOLLEN, False, 1), LOOK),
        (refused(SWOLLEN, "unit", hours=1), given(SWOLLEN, False, None, ages=False), None),
        (refused(SWOLLEN, "unit", hours=1), given("bed_rest", False, 1), LOOK),
        # As it is written, it is the answer that is no danger.
        (refused(SWOLLEN, "no time", "false"), None, None),
        (refused(SWOLLEN, "no time", '"False"'), None, None),
        (refused(SWOLLEN, "no time", "true"), None, "neck swelling: true (the reason)"),
        (refused(PASSED, "no time", "true"), None, None),
        (refused(PASSED, "no time", "false"), None, "swallow screen passed: false (the reason)"),
        (refused("ct_neck", "no time", "Negative"), None, None),
        (refused("ct_neck", "no time", "positive"), None, "CT of the neck: positive (the reason)"),
    ],
)
def test_what_a_person_has_to_look_up(rejected: Rejected, used: Accepted | None, expected: str | None) -> None:
    _, rest = choice(*([rejected] if used is None else [rejected, used]))
    assert [look_up for *_, look_up in rest] == [expected]


COMA, AVPU, SORE, BRADEN = "glasgow_coma_score", "responsiveness", "skin_damage_grade", "braden_score"
UNSIGNED = {"unsettled": True}


@pytest.mark.parametrize(
    ("fact", "kind", "says", "used", "named"),
    [
        # A coma score below that of an alert patient (15), whatever keeps it from being used.
        (COMA, "status", 6, None, True),
        (COMA, "status", 14, None, True),
        (COMA, "status", 15, None, False),
        (COMA, "no time", 8, None, True),
        (COMA, "code", None, None, True),
        (COMA, "implausible", None, None, True),
        (COMA, "incomplete", None, None, True),
        (COMA, "incomplete", 15, None, False),
        (COMA, "contradiction", 7, None, True),
        # An older value that is better hides nothing; one that is as grave says it, and so does a newer one.
        (COMA, "status", 6, given(COMA, 15, 2), True),
        (COMA, "status", 6, given(COMA, 8, 2), True),
        (COMA, "status", 6, given(COMA, 6, 2), False),
        (COMA, "status", 6, given(COMA, 5, 2), False),
        (COMA, "status", 14, given(COMA, 8, 2), False),
        (COMA, "status", 6, given(COMA, 15, 0.5), False),
        (COMA, "contradiction", 7, given(COMA, 15, 2), False),
        # Answers, the graver the more.
        (AVPU, "status", "unresponsive", None, True),
        (AVPU, "status", "alert", None, False),
        (AVPU, "status", "pain", given(AVPU, "voice", 2), True),
        (AVPU, "status", "voice", given(AVPU, "pain", 2), False),
        (AVPU, "code", None, None, True),
        (SORE, "status", "stage_4", given(SORE, "stage_2", 2), True),
        (SORE, "status", "stage_1", None, False),
        # High risk of a sore begins at 12 points of the Braden scale.
        (BRADEN, "status", 12, None, True),
        (BRADEN, "status", 13, None, False),
        # What the vocabulary calls a danger, and what is none at all.
        ("head_position", "status", "fixed_flexion", None, True),
        ("head_position", "status", "neutral", None, False),
        ("weight_kg", "unit", None, None, False),
        ("weight_kg", "implausible", None, None, False),
        ("mobility", "status", "bed_only", None, False),
        # Of old, taken back, or another patient's.
        (COMA, "stale", 6, None, False),
        (COMA, "patient", 6, None, False),
    ],
)
def test_a_danger_that_is_a_number_or_an_answer_is_named_where_it_is_refused(
    fact: str, kind: Any, says: Any, used: Accepted | None, named: bool
) -> None:
    unsigned = UNSIGNED if kind == "status" else {}
    rejected = refused(fact, kind, **unsigned)._replace(says=says)
    _, rest = choice(*([rejected] if used is None else [rejected, used]))
    label = ruleset().vocabulary[fact].label
    assert [look_up for *_, look_up in rest] == [f"{label}: x (the reason)" if named else None]


def test_what_is_taken_back_is_named_by_nobody() -> None:
    """Observation.status entered-in-error and cancelled say that there is no such finding."""
    assert choice(refused(COMA, "status")._replace(says=6))[1][0][3] is None


def test_a_graver_value_without_a_time_is_listed_beside_the_one_that_is_used() -> None:
    used, rest = choice(given(COMA, 15, 2), given(COMA, 8, None, "b"), given(COMA, 15, None, "c"))
    reason = "no time is recorded, so it may be newer"
    label = ruleset().vocabulary[COMA].label
    assert used == ["15 by a"]
    assert rest == [("8 by b", "no time", reason, f"{label}: 8 by b ({reason})")]


# --- which injury -----------------------------------------------------------------------------------------------------

HURT, SCAN = "blunt_injury", "ct_neck"


def before(hours: float) -> str:
    return f"before the injury of {AT - timedelta(hours=hours):%Y-%m-%d %H:%M}: it says nothing about that one"


def undated(hours: float) -> str:
    moment = f"{AT - timedelta(hours=hours):%Y-%m-%d %H:%M}"
    return f"no time is recorded, so it may be about an earlier injury than that of {moment}"


def no_scan(hours: float | None = 50, name: str = "s", value: str = "negative") -> Accepted:
    return given(SCAN, value, hours, name)


def ignored(reason: str, name: str = "s", *, look_up: bool = True) -> tuple[str, str, str, str | None]:
    written = f"negative by {name}"
    return written, "before injury", reason, f"CT of the neck: {written} ({reason})" if look_up else None


@pytest.mark.parametrize(
    ("findings", "scans", "rest"),
    [
        ([no_scan(50)], ["negative by s"], []),
        # After the injury; before it, by no more than a late note explains; longer before it.
        ([given(HURT, True, 10), no_scan(5)], ["negative by s"], []),
        ([given(HURT, True, 10), no_scan(10)], ["negative by s"], []),
        ([given(HURT, True, 10), no_scan(34)], ["negative by s"], []),
        ([given(HURT, True, 10), no_scan(34.01)], [], [ignored(before(10))]),
        ([given(HURT, True, 10), no_scan(None)], [], [ignored(undated(10))]),
        # An earlier injury of its own.
        ([given(HURT, True, 100), given("fall_height_m", 3, 10), no_scan(20)], [], [ignored(before(10))]),
        ([given(HURT, True, 100), given("fall_height_m", 3, 10), no_scan(100)], [], [ignored(before(10))]),
        ([given("fall_height_m", 3, 10), given(HURT, True, 100), no_scan(5)], ["negative by s"], []),
        ([given(HURT, True, 20), given("fall_height_m", 3, 10), no_scan(15)], ["negative by s"], []),
        # Who notes it again within a day does not make it a new one.
        ([given(HURT, True, 34), given("fall_height_m", 3, 10), no_scan(30)], ["negative by s"], []),
        ([given(HURT, True, 34.01), given("fall_height_m", 3, 10), no_scan(30)], [], [ignored(before(10))]),
        (
            [given(HURT, True, 60), given(HURT, True, 40, "b"), given("fall_height_m", 3, 20), no_scan(59)],
            ["negative by s"],
            [],
        ),
        # What is no injury, or has no time.
        ([given(HURT, False, 10), no_scan(50)], ["negative by s"], []),
        ([given("fall_height_m", 0, 10), no_scan(50)], [], [ignored(before(10))]),
        ([given(HURT, True, None, ages=False), no_scan(50)], ["negative by s"], []),
        ([given("bed_rest", True, 10), no_scan(50)], ["negative by s"], []),
        # The hours since it, where they were noted last, to the next whole hour; then nothing is noted late.
        ([given("hours_since_injury", 5.0, 1), no_scan(6)], ["negative by s"], []),
        ([given("hours_since_injury", 5.0, 1), no_scan(6.01)], [], [ignored(before(6))]),
        ([given("hours_since_injury", 5.0, 3), given(HURT, True, 2), no_scan(7)], ["negative by s"], []),
        ([given("hours_since_injury", 5.0, 2), given(HURT, True, 2), no_scan(7)], [], [ignored(before(6))]),
        ([given("hours_since_injury", 5.0, None, ages=False), given(HURT, True, 2), no_scan(7)], ["negative by s"], []),
        ([given("hours_since_injury", 5.0, None, ages=False), no_scan(7)], ["negative by s"], []),
        ([given("hours_since_injury", 5.0, 1), given(HURT, True, 100), no_scan(6.5)], [], [ignored(before(6))]),
        ([given("hours_since_injury", 500.0, 100), given(HURT, True, 10), no_scan(50)], [], [ignored(before(10))]),
        # A danger of old stays, and what is newer than what stays is said.
        ([given(HURT, True, 10), no_scan(50, value="positive")], ["positive by s"], []),
        (
            [given(HURT, True, 10), no_scan(50), no_scan(60, "t", "positive")],
            ["positive by t"],
            [ignored(f"{before(10)}; the older value positive by t (label t) is used instead", look_up=False)],
        ),
        ([given(HURT, True, 10), no_scan(70), no_scan(60, "t", "positive")], ["positive by t"], []),
        (
            [given(HURT, True, 10), no_scan(70), no_scan(50, "u"), no_scan(60, "t", "positive")],
            ["positive by t"],
            [ignored(f"{before(10)}; the older value positive by t (label t) is used instead", "u", look_up=False)],
        ),
        ([given(HURT, True, 10), no_scan(60), no_scan(60, "t", "positive")], ["positive by t"], []),
        ([given(HURT, True, 10), no_scan(50), no_scan(5, "t")], ["negative by t"], []),
        ([given(HURT, True, 10), no_scan(None), no_scan(5, "t")], ["negative by t"], []),
        ([given(HURT, True, 10), no_scan(50), no_scan(60, "t")], [], [ignored(before(10)), ignored(before(10), "t")]),
    ],
)
def test_what_answers_for_an_earlier_injury(findings: list[Accepted], scans: list[str], rest: list[Any]) -> None:
    found = choose(findings, ruleset(), code_map(), AT)
    listed = [(one.value, one.kind, one.reason, one.look_up) for one in found.not_used if one.kind == "before injury"]
    assert ([fact.original for fact in found.facts if fact.name == SCAN], listed) == (scans, rest)


def test_what_is_no_answer_about_an_injury_stays() -> None:
    assert choice(given(HURT, True, 10), given("bed_rest", True, 50, "b"))[1] == []


def test_an_answer_counts_for_an_injury_whatever_it_is_where_the_map_says_any() -> None:
    used, rest = choice(given(HURT, True, 10), given("ordered_wear_hours", 12, 50, "b"))
    assert (used, [one[1] for one in rest]) == (["True by a"], ["before injury"])


def test_an_injury_that_is_too_old_to_count_is_none() -> None:
    """Swelling of the neck, of which no record counts after a day, stands for an injury here."""
    episode = Episode(24, None, (SWOLLEN,), {SCAN: None})
    dated = given(SWOLLEN, True, 24), given(SWOLLEN, True, 24.01, "b")
    assert [choice(one, no_scan(100), episode=episode)[0] for one in dated] == [["True by a"], ["negative by s"]]


def test_hours_since_an_injury_are_chosen_as_every_fact_is() -> None:
    twice = given("hours_since_injury", 5.0, 3), given("hours_since_injury", 4.0, 1, "b")
    assert choice(*twice) == (["4.0 by b"], [])
    assert choice(given("hours_since_injury", 5.0, 13))[1] == [
        ("5.0 by a", "stale", "stale: 13 hours old, and the limit is 12 hours", None)
    ]


@pytest.mark.parametrize(
    ("noted", "fell", "counts"),
    [(34, 10, True), (34.01, 10, False), (5, 10, True), (None, 10, True), (500, None, True), (500, 100, False)],
)
def test_hours_since_an_earlier_injury_say_nothing_about_the_newest(
    noted: float | None, fell: float | None, counts: bool
) -> None:
    hours = given("hours_since_injury", 500.0, noted, ages=False)
    used, rest = choice(hours, *(() if fell is None else (given(HURT, True, fell, "b"),)))
    assert ("500.0 by a" in used) is counts
    why = before(fell or 0)
    look_up = f"hours since the injury: 500.0 by a ({why})"
    assert rest == ([] if counts else [("500.0 by a", "before injury", why, look_up)])


# --- the whole record -------------------------------------------------------------------------------------------------


def test_an_element_that_changes_the_meaning_refuses_all_of_a_record() -> None:
    plain, changed = (
        record(of_patient("Observation", "o", **more)) for more in ({}, {"implicitRules": "http://x.example"})
    )
    findings = [given("bed_rest", True), refused("weight_kg", "unit")]
    assert list(unmodified(plain, findings)) == findings
    why = RejectionReason("modifier", "the resource carries implicitRules, which may change its meaning")
    assert list(unmodified(changed, findings)) == [
        Rejected("bed_rest", "True by a", why, "label a", ago(1), says=True),
        findings[1],
    ]


@pytest.mark.parametrize(
    ("hours", "limit", "more", "words"),
    [
        (48, 24, "", "stale: 48 hours old, and the limit is 24 hours"),
        (24.01, 24, "", "stale: over 24 hours old, and the limit is 24 hours"),
        (0.5, 0.25, "; and more", "stale: 30 minutes old, and the limit is 15 minutes; and more"),
    ],
)
def test_how_old_and_how_old_it_may_be(hours: float, limit: float, more: str, words: str) -> None:
    assert stale(hours, limit, more) == RejectionReason("stale", words)
    assert stale(hours, limit).text == words.removesuffix(more)
