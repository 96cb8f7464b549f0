"""The benchmark over the wire, in seconds: everything is measured and nothing refused. What comes out is not looked at."""

import os
import shutil
import subprocess
import sys
from dataclasses import replace

import pytest
from playwright.sync_api import Browser

from tests.bench import pages, service
from tests.bench.child import ROOT
from tests.bench.over_http import figures as kept
from tests.bench.over_http.figures import Figures
from tests.cds.live_service import running
from tests.load import capacity


@pytest.fixture(scope="module")
def found() -> Figures:
    if shutil.which("wrk") is None:
        if os.environ.get("CI"):
            pytest.fail("wrk was not found, and CI must not skip the benchmark: apt-get install wrk")
        pytest.skip("needs wrk: apt-get install wrk")
    return service.figures(service.SHORT)


@pytest.mark.slow
def test_each_kind_of_call_is_measured_beside_the_floor_and_none_is_refused(found: Figures) -> None:
    assert [(row.call, row.connections) for row in found.rows] == [("typical", 1), ("heavy", 1), ("silent", 1)]
    for load in (load for row in found.rows for load in (row.floor, row.service)):
        assert load.calls > 0 and load.server > 0 and load.generator > 0
        assert 0 < load.p50 <= load.p95 <= load.p99
    assert [count for count, _ in found.workers] == [2]
    assert found.not_answered == 0
    assert found.start_seconds > 0 and found.memory_at_start > 0 and found.memory_after > 0


@pytest.mark.slow
def test_a_refused_call_is_counted_and_misses_its_bar(found: Figures) -> None:
    assert [bar.kept for bar in service.bars(found) if "refused" in bar.what] == [True]
    refusing = replace(found, steady=replace(found.steady, refused=1))
    assert [bar.kept for bar in service.bars(refusing) if "refused" in bar.what] == [False]


def test_the_floor_imports_nothing_of_the_service() -> None:
    ours = "[name for name in sys.modules if name.split('.')[0] in ('cds', 'rules')]"
    tell = f"import sys, tests.bench.over_http.floor; print({ours})"
    told = subprocess.run([sys.executable, "-c", tell], cwd=ROOT, check=True, capture_output=True, text=True).stdout
    assert told.strip() == "[]"


def test_the_page_shows_the_figures_that_were_kept() -> None:
    assert Figures.kept().table() in kept.PAGE.read_text()


def test_the_page_of_capacity_is_made_of_those_figures() -> None:
    assert capacity.PAGE.read_text() == capacity.page(Figures.kept())


def test_ten_times_the_beds_need_ten_times_as_much() -> None:
    figures = Figures.kept()
    one, ten = capacity.Need(1_000, figures), capacity.Need(10_000, figures)
    # 1,000 beds, 40 calls each a day, four times the mean: 1.85 a second.
    assert round(one.calls, 2) == 1.85
    for name in ("calls", "processors", "rows", "gigabytes"):
        assert getattr(ten, name) == pytest.approx(10 * getattr(one, name))
    assert one.processes >= one.processors


@pytest.mark.browser
@pytest.mark.slow
def test_the_bedside_page_is_weighed_painted_and_answers_each_keystroke(browser: Browser) -> None:
    with running() as live:
        weight, painted = pages.first_load(browser, f"{live.url}/bedside")
        # htmx alone is more than 10 kB, however it is compressed.
        assert 10_000 < weight < pages.MOST_BYTES and painted > 2 * pages.LATENCY_MS
        answers = pages.keystrokes(browser, f"{live.url}/bedside")
        assert len(answers) == pages.KEYSTROKES and min(answers) > 0
