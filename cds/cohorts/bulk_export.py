"""A Bulk Data export folder (NDJSON, gzip too): which files are read, and their lines sorted into buckets of patients.

A bucket holds all that was recorded of its patients, so it can be read on its own. Lines that mention no code of the code
map are left out before anything is parsed; that is what makes a whole export readable in reasonable time.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import polars as pl
import pyarrow.parquet

from cds.cohorts.errors import ReplayError
from cds.cohorts.ndjson import blocks_of_lines, mentions
from cds.fhir.reading.code_map import CodeMap

PATIENT_OF = {
    "Patient": "$.id",
    "Encounter": "$.subject.reference",
    "Observation": "$.subject.reference",
    "Condition": "$.subject.reference",
    "Procedure": "$.subject.reference",
    "ServiceRequest": "$.subject.reference",
    "QuestionnaireResponse": "$.subject.reference",
    "DeviceUseStatement": "$.subject.reference",
    "Device": "$.patient.reference",
    "Location": "",
}
"""Where each resource type that is read says whose record it is; Location says it of nobody."""

_BY_CODE = ("Observation", "Condition", "Procedure", "ServiceRequest", "QuestionnaireResponse")
_NAME = re.compile(r"([A-Za-z]+)[^/]*\.ndjson(\.gz)?")
_BUCKET_BYTES = 8 * 2**20
_GATHERED_BYTES = 8 * 2**20
_SLICE_BYTES = 4 * 2**20
_GZIP = 10
"""How much larger than its file a gzip file's content is taken to be."""
_MOST_BUCKETS = 1024
SHARED_TYPES = ("Location", "Device")
"""Resources of these types that name no patient belong to all: places, devices in stock."""
SHARED = "shared"
NOBODY = "nobody"
_HASH = pl.col("key").hash(seed=0)


@dataclass(frozen=True)
class ExportFile:
    """One NDJSON file, and the type of the resources in it by its name."""

    path: Path
    type: str

    @property
    def bytes(self) -> int:
        """Size of the content, estimated where the file is compressed."""
        size = self.path.stat().st_size
        return size * _GZIP if self.path.suffix == ".gz" else size


@dataclass(frozen=True)
class Export:
    """The files of a folder that are read, and the names of those that are not."""

    folder: Path
    files: tuple[ExportFile, ...]
    left_out: tuple[str, ...]

    @classmethod
    def find(cls, folder: Path) -> Export:
        """Look through ``folder`` and what is below it. Raises ReplayError where nothing there can be read."""
        files, left_out = [], []
        for path in sorted(folder.rglob("*.ndjson*")):
            match = _NAME.fullmatch(path.name)
            if match is not None and match[1] in PATIENT_OF:
                files.append(ExportFile(path, match[1]))
            else:
                left_out.append(str(path.relative_to(folder)))
        if not files:
            raise ReplayError(
                f"{folder}: no file of a type that is read; expected names such as Patient.ndjson, "
                "Observation.0001.ndjson.gz, or Parquet files of facts"
            )
        return cls(folder, tuple(files), tuple(left_out))

    @cached_property
    def buckets(self) -> int:
        """Into how many buckets the patients are sorted, so that one of them fits the memory whatever the export's size."""
        return min(max(sum(file.bytes for file in self.files) // _BUCKET_BYTES, 1), _MOST_BUCKETS)

    def sort(self, code_map: CodeMap, out: Path) -> Iterator[ExportFile]:
        """Write the lines that matter to ``code_map`` under ``out``, one folder a bucket; yields each file once it is done."""
        mentioned = mentions(code_map)
        for number, file in enumerate(self.files):
            for part, lines in enumerate(_gathered(file, mentioned)):
                bucket = (
                    pl.when(pl.col("key").is_null())
                    .then(pl.lit(SHARED if file.type in SHARED_TYPES else NOBODY))
                    .otherwise((_HASH % self.buckets).cast(pl.String))
                )
                to = pl.PartitionBy(out / f"{number:05}-{part:05}", key="bucket")
                lines.lazy().with_columns(bucket=bucket).sink_parquet(to, mkdir=True, compression="zstd")
            yield file


def bytes_of(lines: Path, bucket: int) -> int:
    """How large, in bytes, the lines of ``bucket`` (a number from 0) under ``lines`` are once they are read."""
    parts = map(pyarrow.parquet.read_metadata, _parts(lines, bucket))
    return sum(part.row_group(group).total_byte_size for part in parts for group in range(part.num_row_groups))


def slices(lines: Path, bucket: int, buckets: int) -> Iterator[pl.DataFrame]:
    """The keyed lines under ``lines`` of ``bucket``, patient by patient, some ``_SLICE_BYTES`` at a time.

    ``bucket`` is a number from 0, ``buckets`` how many there are. All lines of a patient are in one slice. A bucket of
    an export that is larger than its buckets were meant for is read several times: what is held is one slice, whatever
    the size of the export.
    """
    parts = _parts(lines, bucket)
    count = bytes_of(lines, bucket) // _SLICE_BYTES + 1
    for number in range(count if parts else 0):
        here = pl.lit(True) if count == 1 else _HASH // buckets % count == number
        found = [pl.read_parquet(part, columns=["key", "line"]).filter(here) for part in parts]
        yield pl.concat(found).sort("key", maintain_order=True)


def _parts(lines: Path, bucket: int) -> list[Path]:
    return sorted(lines.glob(f"*/bucket={bucket}/*.parquet"))


def _gathered(file: ExportFile, mentioned: str) -> Iterator[pl.DataFrame]:
    """The keyed lines of ``file`` in tables of some ``_GATHERED_BYTES`` each, so that few files are written."""
    held: list[pl.DataFrame] = []
    held_bytes = 0
    for block in blocks_of_lines(file.path):
        # Strings are views into the block, and would keep the whole of it; putting something behind them copies them.
        keyed = keyed_lines(block.lazy(), file.type, mentioned).with_columns(pl.concat_str("line", pl.lit("\n")))
        held.append(keyed.collect())
        held_bytes += int(held[-1]["line"].str.len_bytes().sum())
        if held_bytes >= _GATHERED_BYTES:
            yield pl.concat(held)
            held, held_bytes = [], 0
    if held:
        yield pl.concat(held)


def keyed_lines(lines: pl.LazyFrame, resource_type: str, mentioned: str) -> pl.LazyFrame:
    """The ``lines`` that may say something, with the ``key`` of the patient (``Patient/1``; null: nobody is named).

    All are of the type ``resource_type``. Of resources that are known by their codes, the lines in which the regular
    expression ``mentioned`` finds something.
    """
    kept = lines.filter(pl.col("line").str.len_bytes() > 1)
    if resource_type in _BY_CODE:
        kept = kept.filter(pl.col("line").str.contains(mentioned))
    path = PATIENT_OF[resource_type]
    reference = pl.col("line").str.json_path_match(path) if path else pl.lit(None, pl.String)
    if resource_type == "Patient":
        reference = "Patient/" + reference
    return kept.select(
        key=reference.str.replace(r"/_history/[^/]*$", "")
        .str.replace("^urn:uuid:", "Patient/")
        .str.extract(r"([A-Za-z]+/[^/]+)$"),
        type=pl.lit(resource_type),
        line="line",
    )
