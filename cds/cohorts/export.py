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

from cds.fhir.codes import CodeMap
from rules.errors import NuqueError

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
_ESCAPED_ASCII = [rf"\u00{digit}" for digit in range(2, 8)]
_BUCKET_BYTES = 32 * 2**20
_GZIP = 10
"""How much larger than its file a gzip file's content is taken to be."""
_MOST_BUCKETS = 1024
SHARED = "shared"
NOBODY = "nobody"


class ReplayError(NuqueError):
    """A replay cannot be carried out; the message says why and what to do."""


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
        """Write the lines that matter under ``out``, one folder a bucket; yields each file once it is done."""
        for number, file in enumerate(self.files):
            lines = keyed_lines(pl.scan_lines(file.path, name="line"), file.type, code_map)
            bucket = (
                pl.when(pl.col("key").is_null())
                .then(pl.lit(SHARED if file.type in ("Location", "Device") else NOBODY))
                .otherwise((pl.col("key").hash(seed=0) % self.buckets).cast(pl.String))
            )
            to = pl.PartitionBy(out / f"{number:05}", key="bucket")
            lines.with_columns(bucket=bucket).sink_parquet(to, mkdir=True, compression="zstd")
            yield file


def keyed_lines(lines: pl.LazyFrame, resource_type: str, code_map: CodeMap) -> pl.LazyFrame:
    """The ``lines`` that may say something, with the ``key`` of the patient (``Patient/1``; null: nobody is named)."""
    kept = lines.filter(pl.col("line").str.len_bytes() > 1)
    if resource_type in _BY_CODE:
        kept = kept.filter(pl.col("line").str.contains_any(mentions(code_map)))
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


def mentions(code_map: CodeMap) -> list[str]:
    """What a line of NDJSON holds at least one of if it mentions a code of ``code_map`` (quoted as JSON quotes it)."""
    exact = {f'"{coding.code}"' for coding in code_map.exact}
    begun = {f'"{coding.code}' for coding in code_map.prefixes}
    names = {f'"{name}"' for name in code_map.vocabulary} | {f'"{fact.code}"' for fact in code_map.vocabulary.values()}
    return sorted(exact | begun | names | {code_map.own_facts, *_ESCAPED_ASCII})
