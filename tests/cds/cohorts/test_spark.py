"""The replay on a Spark cluster of processes gives what the replay in one process gives, also where a worker dies."""

import importlib.util
import logging
import os
import shutil
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from cds.cohorts.pipeline import NAMES_NOBODY, Replay
from cds.cohorts.spark_pipeline import run_on_spark
from cds.fhir.reading.code_map_loader import load_code_map
from tests.cds.cohorts.exports import demo_bundles, write_export
from tests.cds.cohorts.spark_cluster import spark_cluster
from tests.cds.hook_calls import observation, patient
from tests.rules.patients import population
from tests.shipped_content import RULESET

CODES = load_code_map(RULESET)
AT = datetime(2026, 3, 2, 10, tzinfo=UTC)

pytestmark = [
    pytest.mark.spark,
    pytest.mark.slow,
    pytest.mark.xdist_group("spark"),
    pytest.mark.filterwarnings("default"),
    pytest.mark.skipif(
        not os.environ.get("CI") and (importlib.util.find_spec("pyspark") is None or shutil.which("java") is None),
        reason="needs Java and `make setup-spark`",
    ),
]


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with spark_cluster(tmp_path_factory.mktemp("cluster"), workers=2) as started:
        yield started


@pytest.fixture(scope="module")
def session(cluster):
    from pyspark.sql import SparkSession

    os.environ["PYSPARK_PYTHON"] = sys.executable
    logging.getLogger("py4j").setLevel(logging.WARNING)  # it notes every call at the level of debugging
    builder = SparkSession.builder.master(cluster.url).config("spark.ui.enabled", "false")
    builder = builder.config("spark.sql.shuffle.partitions", "3").config("spark.executor.memory", "1g")
    session = builder.config("spark.driver.host", "127.0.0.1").getOrCreate()
    yield session
    session.stop()


def both(folder, tmp_path, at):
    local = Replay(RULESET, CODES, folder, tmp_path / "local", at)
    there = Replay(RULESET, CODES, folder, tmp_path / "spark", at)
    return (local.run(lambda *_: None), run_on_spark(there), *map(decisions, (local, there)))


def decisions(replay):
    return (
        pl.read_parquet(replay.out / "decisions/*.parquet")
        .with_columns(pl.selectors.enum().cast(pl.String))
        .sort("patient")
    )


def test_an_export(session, tmp_path):
    resources = [entry["resource"] for bundle in demo_bundles() for entry in bundle["entry"]]
    local, there, expected, rows = both(write_export(tmp_path / "in", resources), tmp_path, AT)
    assert_frame_equal(rows.select(expected.columns), expected)
    assert there == local


def test_refusals_where_nobody_could_be_decided(session, tmp_path):
    """Patients without a dated record, records that name nobody, and no one else."""
    nobody = observation("neck-height", 66)
    del nobody["subject"]
    people = [{**patient(), "id": f"undated-{number}"} for number in range(5)]
    folder = write_export(tmp_path / "in", [*people, nobody, nobody])
    local, there, expected, rows = both(folder, tmp_path, None)
    assert (there.undated, there.patients, there.refused) == (5, 0, {NAMES_NOBODY: 2})
    assert there == local
    assert rows.height == expected.height == 0


def test_parquet_of_facts(session, tmp_path):
    table = population(RULESET, 3000, seed=9).with_row_index("patient").with_columns(pl.col("patient").cast(pl.String))
    (tmp_path / "in").mkdir()
    table.with_columns(pl.selectors.enum().cast(pl.String)).write_parquet(tmp_path / "in" / "facts.parquet")
    local, there, expected, rows = both(tmp_path / "in", tmp_path, None)
    assert_frame_equal(rows.select(expected.columns), expected)
    assert there == local


def test_a_worker_that_dies_in_the_middle_changes_nothing(session, cluster, tmp_path):
    table = population(RULESET, 4000, seed=10).with_row_index("patient").with_columns(pl.col("patient").cast(pl.String))
    plain = table.with_columns(pl.selectors.enum().cast(pl.String))
    (tmp_path / "in").mkdir()
    for number in range(20):  # Twenty files for two cores: most of them wait when the worker dies.
        plain[number::20].write_parquet(tmp_path / "in" / f"{number}.parquet")
    local = Replay(RULESET, CODES, tmp_path / "in", tmp_path / "local", None)
    there = Replay(RULESET, CODES, tmp_path / "in", tmp_path / "spark", None)
    expected = local.run(lambda *_: None)
    session.conf.set("spark.sql.files.maxPartitionBytes", "4m")  # A task for each file.
    with ThreadPoolExecutor(1) as aside:
        counted = aside.submit(run_on_spark, there)
        done, tasks = _as_soon_as_some_are_done(session, counted)
        cluster.kill_worker()
        assert counted.result() == expected
    assert 0 < done < tasks
    assert_frame_equal(decisions(there).select(decisions(local).columns), decisions(local))


def _as_soon_as_some_are_done(session, counted):
    """The tasks that are done of a stage, and how many it has, when some but not all are."""
    tracker = session.sparkContext.statusTracker()
    while not counted.done():
        for stage in filter(None, map(tracker.getStageInfo, tracker.getActiveStageIds())):
            if 0 < stage.numCompletedTasks < stage.numTasks:
                return stage.numCompletedTasks, stage.numTasks
        time.sleep(0.05)
    return 0, 0
