"""A replay from end to end: parts written one by one, each with its counts, so that an interrupted run goes on where it was."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet

from cds.cohorts.bulk_export import NOBODY, SHARED, Export, bytes_of, slices
from cds.cohorts.cohort_reader import KEPT, Cohort, CohortReader
from cds.cohorts.column_reader import ColumnReader
from cds.cohorts.errors import ReplayError
from cds.cohorts.fact_tables import facts_of
from cds.cohorts.summary import Tally, total
from cds.fhir.reading.code_map import CodeMap
from rules.batch.polars_backend import BATCH, Columns
from rules.model.ruleset import Ruleset

PART_BYTES = 16 * 2**20
"""So many bytes of lines are decided together."""
NAMES_NOBODY = ("no fact recognised", "does not say whose record it is")
"""The refusal of a record without a patient, by fact and reason."""
Progress = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True)
class Replay:
    """One replay of ``folder`` into ``out``. ``at`` is the moment of decision for everybody, or None (see CohortReader)."""

    ruleset: Ruleset
    code_map: CodeMap
    folder: Path
    out: Path
    at: datetime | None = None
    workers: int = 1

    def run(self, progress: Progress) -> Tally:
        """Decide everybody; parts that an earlier run of the same replay finished are kept. Returns the counts.

        ``progress`` is told how far it is. Raises ReplayError where the folder holds nothing to read or ``out`` holds
        another replay.
        """
        self._claim()
        tally = self._of_parquet(progress) if self.parquet else self._of_export(progress)
        shutil.rmtree(self._work, ignore_errors=True)
        return tally

    @cached_property
    def parquet(self) -> tuple[Path, ...]:
        """Parquet files of facts in the folder."""
        return tuple(sorted(self.folder.rglob("*.parquet")))

    @cached_property
    def export(self) -> Export:
        """The NDJSON files in the folder."""
        return Export.find(self.folder)

    @property
    def _work(self) -> Path:
        return self.out / "unfinished"

    def _claim(self) -> None:
        """Make ``out``, or find there the same replay. The identity covers rules, code map, moment and input files."""
        if self.out.resolve().is_relative_to(self.folder.resolve()):
            raise ReplayError(f"{self.out}: lies in the folder that is read; choose a folder outside {self.folder}")
        if self.parquet and any(self.folder.rglob("*.ndjson*")):
            raise ReplayError(f"{self.folder}: holds Parquet and NDJSON; replay each from a folder of its own")
        files = self.parquet or tuple(file.path for file in self.export.files)
        listed = [[str(path), path.stat().st_size, path.stat().st_mtime_ns] for path in files]
        identity = hashlib.sha256(
            json.dumps([self.ruleset.hash, self.code_map.hash, str(self.at), listed]).encode()
        ).hexdigest()
        mark = self.out / "replay.json"
        if mark.exists():
            if _identity(mark) != identity:
                raise ReplayError(
                    f"{self.out}: holds another replay (other rules, code map, moment or files); choose another folder"
                )
            return
        if self.out.exists() and any(self.out.iterdir()):
            raise ReplayError(f"{self.out}: is not empty and holds no replay; choose another folder")
        self.out.mkdir(parents=True, exist_ok=True)
        about = {"identity": identity, "ruleset": self.ruleset.hash, "folder": str(self.folder)}
        mark.write_text(json.dumps(about, indent=2))

    # --- Parquet of facts ------------------------------------------------------------------------------------------

    def _of_parquet(self, progress: Progress) -> Tally:
        rows = sum(_rows_of_table(path) for path in self.parquet)
        columns = Columns(self.ruleset)
        tallies, done, number = [], 0, 0
        for path in self.parquet:
            for batch in pyarrow.parquet.ParquetFile(path).iter_batches(BATCH):
                part = OutputPart(self.out, number)
                if not part.finished:
                    table = pl.from_arrow(batch)
                    assert isinstance(table, pl.DataFrame)
                    facts, refused = facts_of(self.ruleset, table)
                    part.write(columns, facts, Tally(refused=refused))
                tallies.append(part.tally())
                done += batch.num_rows
                number += 1
                progress("deciding", done, rows)
        return total(tallies)

    # --- an export of NDJSON ---------------------------------------------------------------------------------------

    def _of_export(self, progress: Progress) -> Tally:
        lines = self._work / "lines"
        found = self._sorted(lines, progress)
        waiting = {
            number: buckets for number, buckets in enumerate(found.parts) if not OutputPart(self.out, number).finished
        }
        done = len(found.parts) - len(waiting)
        for _ in self._decide(lines, waiting):
            done += 1
            progress("deciding", done, len(found.parts))
        tally = total(OutputPart(self.out, number).tally() for number in range(len(found.parts)))
        if found.nobody:
            tally.refused[NAMES_NOBODY] += found.nobody
        return tally

    def _sorted(self, lines: Path, progress: Progress) -> Sorted:
        """The lines sorted into buckets under ``lines``, now or by an earlier run that they are left of or not needed."""
        mark = self.out / "counts" / "sorted.json"
        if mark.exists():
            found = Sorted(**json.loads(mark.read_text()))
            if lines.exists() or all(OutputPart(self.out, number).finished for number in range(len(found.parts))):
                return found
        shutil.rmtree(lines, ignore_errors=True)
        size, done = sum(file.bytes for file in self.export.files), 0
        for file in self.export.sort(self.code_map, lines):
            done += file.bytes
            progress("reading", done, size)
        found = Sorted(_together(lines, self.export.buckets), _rows(lines, NOBODY))
        mark.parent.mkdir(exist_ok=True)
        _write_whole(mark, json.dumps(asdict(found)))
        return found

    def _decide(self, lines: Path, parts: Mapping[int, Sequence[int]]) -> Iterator[None]:
        if self.workers == 1 or len(parts) < 2:
            if parts:
                worker = PartWorker(self, lines)
                for part, buckets in parts.items():
                    worker(part, buckets)
                    yield
            return
        # Polars keeps threads of its own, so a worker is a fresh process and not a copy of this one.
        fresh = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(
            self.workers, mp_context=fresh, initializer=_start_worker, initargs=(self, lines)
        ) as pool:
            for finished in as_completed([pool.submit(_work_on, *part) for part in parts.items()]):
                finished.result()
                yield


@dataclass(frozen=True)
class Sorted:
    """What is known once the lines lie in buckets: which buckets make each part, and how many lines name no patient."""

    parts: list[list[int]]
    nobody: int


@dataclass(frozen=True)
class OutputPart:
    """One part of the output: a Parquet file of decisions and, once that is whole, its counts."""

    out: Path
    number: int

    @property
    def decisions(self) -> Path:
        """The Parquet file."""
        return self.out / "decisions" / f"part-{self.number:05}.parquet"

    @property
    def counts(self) -> Path:
        """The counts as JSON; there only when the part is finished."""
        return self.out / "counts" / f"part-{self.number:05}.json"

    @property
    def finished(self) -> bool:
        """Whether an earlier run finished this part."""
        return self.counts.exists() and self.decisions.exists()

    def tally(self) -> Tally:
        """The counts of the finished part."""
        return Tally.from_json(json.loads(self.counts.read_text()))

    def write(self, columns: Columns, facts: pl.DataFrame, read: Tally) -> None:
        """Decide ``facts`` by ``columns`` and write the part: one row a patient.

        ``read`` holds what is known from reading: refusals, undated patients.
        """
        decided = columns.decide(facts, keep=KEPT)
        names = [name for name in facts.columns if name not in KEPT]
        tally = Tally.of(columns, facts, decided)
        tally.add(read)
        for path in (self.decisions, self.counts):
            path.parent.mkdir(parents=True, exist_ok=True)
        whole = pl.concat([decided, facts.select(pl.col(names).name.prefix("given:"))], how="horizontal")
        unfinished = self.decisions.with_suffix(".unfinished")
        whole.write_parquet(unfinished, compression="zstd")
        os.replace(unfinished, self.decisions)
        _write_whole(self.counts, json.dumps(tally.as_json(), ensure_ascii=False))


# --- in a worker process -------------------------------------------------------------------------------------------------


class PartWorker:
    """Reads and decides parts of one replay; what all parts share is prepared once in each process."""

    def __init__(self, replay: Replay, lines: Path) -> None:
        """Work on the bucketed ``lines`` of ``replay``."""
        self._ruleset, self._lines, self._out = replay.ruleset, lines, replay.out
        self._buckets = replay.export.buckets
        self._columns = Columns(replay.ruleset)
        self._reader = ColumnReader(CohortReader(replay.ruleset, replay.code_map, _shared(lines), replay.at))

    def __call__(self, number: int, buckets: Sequence[int]) -> None:
        """Read the patients of ``buckets``, decide them together, and write part ``number``."""
        cohort = Cohort()
        for bucket in buckets:
            for lines in slices(self._lines, bucket, self._buckets):
                cohort.add(self._reader.read(lines))
        OutputPart(self._out, number).write(self._columns, cohort.table(self._ruleset), Tally.of_reading(cohort))


_worker: PartWorker
"""The worker of this process, where it is one of a pool."""


def _start_worker(replay: Replay, lines: Path) -> None:
    global _worker
    _worker = PartWorker(replay, lines)


def _work_on(number: int, buckets: Sequence[int]) -> None:
    _worker(number, buckets)


def _shared(lines: Path) -> dict[str, dict[str, Any]]:
    """Resources that belong to no single patient (places, devices in stock), by reference."""
    found: dict[str, dict[str, Any]] = {}
    for file in sorted(lines.glob(f"*/bucket={SHARED}/*.parquet")):
        for (line,) in pl.read_parquet(file, columns=["line"]).iter_rows():
            resource = json.loads(line)
            found[f"{resource.get('resourceType')}/{resource.get('id')}"] = resource
    return found


def _together(lines: Path, buckets: int) -> list[list[int]]:
    """The buckets in runs of some ``PART_BYTES`` of lines: each call to decide costs the same for one patient or for many."""
    parts: list[list[int]] = [[]]
    held = 0
    for bucket in range(buckets):
        size = bytes_of(lines, bucket)
        if parts[-1] and held + size > PART_BYTES:
            parts.append([])
            held = 0
        parts[-1].append(bucket)
        held += size
    return parts


def _rows_of_table(path: Path) -> int:
    try:
        return int(pyarrow.parquet.read_metadata(path).num_rows)
    except pyarrow.ArrowException as error:
        raise ReplayError(f"{path}: cannot be read as Parquet ({error}); write it again") from error


def _rows(lines: Path, bucket: str) -> int:
    return sum(pyarrow.parquet.read_metadata(file).num_rows for file in lines.glob(f"*/bucket={bucket}/*.parquet"))


def _identity(mark: Path) -> object:
    """Of which replay the file ``mark`` is. Raises ReplayError where it does not say."""
    try:
        return json.loads(mark.read_text(encoding="utf-8"))["identity"]
    except (ValueError, KeyError, TypeError) as error:
        raise ReplayError(f"{mark}: is damaged, so this replay cannot go on; choose another folder") from error


def _write_whole(path: Path, content: str) -> None:
    """Write ``path`` so that it is there only when it is whole."""
    unfinished = path.with_suffix(".unfinished")
    unfinished.write_text(content)
    os.replace(unfinished, path)
