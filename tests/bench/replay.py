"""Replay of a Bulk Data export from its files to its decisions, against DuckDB reading and projecting the same files."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from tests.bench.child import in_child, peak_memory
from tests.bench.export import write_export
from tests.bench.measured import Measured

MOST_TIME = 2.0
MOST_GROWTH = 1.1
PATIENTS = 1000
OTHERS = 100
"""Laboratory results of each patient, beside four records that the collar needs: one line in 26 matters."""
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def measure() -> Iterator[Measured]:
    """Time at ten times the data, as of a hospital and with nothing but what matters; peak memory at 1x and 10x."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small, sizes = folder / "small", {}
        for made, patients, others in (
            (small, PATIENTS, OTHERS),
            (folder / "large", 10 * PATIENTS, OTHERS),
            (folder / "dense", 2 * PATIENTS, 0),
        ):
            made.mkdir()
            sizes[made.name] = write_export(made, patients, others) / 1e6
        taken = {
            name: in_child("tests.bench.replay:replayed", str(folder / name), POLARS_MAX_THREADS="1") for name in sizes
        }
        floors = {name: in_child("tests.bench.replay:projected", str(folder / name)) for name in ("large", "dense")}
        narrow = in_child("tests.bench.replay:projected_narrowly", str(folder / "large"))
    for name, what in (("large", f"{OTHERS + 4} records a patient, 4 of them read"), ("dense", "every record read")):
        yield Measured(
            f"replay of NDJSON, {sizes[name]:.0f} MB, {taken[name]['patients']} patients, {what}",
            taken[name]["seconds"],
            floors[name]["seconds"],
            "DuckDB projecting what the replay looks at",
            bar=f"at most {MOST_TIME:.0f} x" if name == "large" else "",
            kept=name != "large" or taken[name]["seconds"] <= MOST_TIME * floors[name]["seconds"],
        )
    yield Measured(
        "the first of these",
        taken["large"]["seconds"],
        narrow["seconds"],
        "DuckDB projecting who, what, when and how much alone",
    )
    yield Measured(
        f"peak memory of that replay, {sizes['large']:.0f} MB of files against {sizes['small']:.0f} MB",
        taken["large"]["peak"],
        taken["small"]["peak"],
        "a tenth of the data",
        "MB",
        bar=f"at most {MOST_GROWTH} x",
        kept=taken["large"]["peak"] <= MOST_GROWTH * taken["small"]["peak"],
    )


def replayed(folder: str) -> dict[str, float]:
    """Decide the export in ``folder`` in one process: seconds of processor time, peak memory in MB, patients."""
    from cds.cohorts.pipeline import Replay
    from cds.fhir.reading.code_map_loader import load_code_map
    from rules.loading.loader import load_ruleset

    ruleset = load_ruleset()
    with tempfile.TemporaryDirectory() as out:
        replay = Replay(ruleset, load_code_map(ruleset), Path(folder), Path(out) / "out", AT)
        began = time.process_time()
        tally = replay.run(lambda *_: None)
        return {"seconds": time.process_time() - began, "peak": peak_memory(), "patients": tally.patients}


def projected(folder: str) -> dict[str, float]:
    """DuckDB on one thread writes as Parquet, out of the same files, every element that the replay takes into account."""
    quantity = 'STRUCT("value" DOUBLE, comparator VARCHAR, system VARCHAR, code VARCHAR, unit VARCHAR)'
    concept = "STRUCT(coding STRUCT(system VARCHAR, code VARCHAR)[])"
    value = {
        "valueQuantity": quantity,
        "valueBoolean": "BOOLEAN",
        "valueInteger": "BIGINT",
        "valueString": "VARCHAR",
        "valueCodeableConcept": concept,
        "dataAbsentReason": concept,
    }
    component = ", ".join(f"{name} {kind}" for name, kind in {"code": concept, **value}.items())
    observation = {
        "id": "VARCHAR",
        "status": "VARCHAR",
        "subject": "STRUCT(reference VARCHAR)",
        "code": concept,
        "effectiveDateTime": "VARCHAR",
        "effectiveInstant": "VARCHAR",
        "effectivePeriod": 'STRUCT("start" VARCHAR, "end" VARCHAR)',
        "issued": "VARCHAR",
        **value,
        "component": f"STRUCT({component})[]",
    }
    return _read_by_duckdb(folder, observation)


def projected_narrowly(folder: str) -> dict[str, float]:
    """The same with only who, what, when and how much: the elements that are filled in these files."""
    return _read_by_duckdb(
        folder,
        {
            "subject": "STRUCT(reference VARCHAR)",
            "code": "STRUCT(coding STRUCT(system VARCHAR, code VARCHAR)[])",
            "effectiveDateTime": "VARCHAR",
            "valueQuantity": 'STRUCT("value" DOUBLE, code VARCHAR)',
            "valueBoolean": "BOOLEAN",
            "valueCodeableConcept": "STRUCT(coding STRUCT(code VARCHAR)[])",
        },
    )


def _read_by_duckdb(folder: str, observation: dict[str, str]) -> dict[str, float]:
    import duckdb

    patient = dict.fromkeys(("id", "birthDate", "gender"), "VARCHAR")
    connection = duckdb.connect()
    connection.execute("SET threads = 1")
    with tempfile.TemporaryDirectory() as out:
        began = time.process_time()
        for kind, columns in (("Observation", observation), ("Patient", patient)):
            listed = ", ".join(f"{name}: '{written}'" for name, written in columns.items())
            read = f"read_ndjson('{folder}/{kind}.ndjson', columns = {{{listed}}})"
            connection.execute(f"COPY (SELECT * FROM {read}) TO '{out}/{kind}.parquet'")
        return {"seconds": time.process_time() - began, "peak": peak_memory()}
