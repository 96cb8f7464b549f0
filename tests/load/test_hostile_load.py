"""A rehearsal of ``make soak ARGS=--hostile``: what is counted, whatever the speed of the machine."""

import dataclasses
from collections import Counter

import pytest

from tests.load.hostile_load import PATTERNS, Seen, report, run


@pytest.fixture(scope="module")
def seen() -> Seen:
    """Some seconds of it, of a service that is patient with a slow machine."""
    return run(5, NUQUE_FETCH_BUDGET_SECONDS="15", NUQUE_ANSWER_SECONDS="120")


@pytest.mark.slow
def test_beside_hostile_clients_the_good_one_gets_every_answer(seen: Seen) -> None:
    assert seen.good.wrong == []
    assert sum(seen.good.good.values()) == len(seen.good.seconds) >= 2 * len(seen.good.calls)
    assert all(seen.good.expected.values()), "before the attack each call got cards"
    counts = seen.counts()
    assert [pattern for pattern in PATTERNS if counts[pattern] == 0] == []
    assert seen.failures() == []
    assert (seen.watch.asked > 0, seen.watch.unwell) == (True, [])


@pytest.mark.slow
def test_a_bar_that_is_missed_is_said_and_is_an_error(
    seen: Seen, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    without = Counter({key: number for key, number in seen.outcomes.items() if key[0] != "huge bodies"})
    assert report(dataclasses.replace(seen, outcomes=without)) == 1
    assert "MISSED: patterns never seen: huge bodies" in capsys.readouterr().out
    monkeypatch.setattr(seen.good, "seconds", [*seen.good.seconds, 0.1])
    assert report(seen) == 1
    assert "MISSED: good answers" in capsys.readouterr().out
