"""The lines of an NDJSON file that may say something, block by block: memory does not depend on how large the file is."""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from cds.cohorts.errors import ReplayError
from cds.fhir.reading.code_map import CodeMap

_BLOCK = 8 * 2**20
"""Bytes read at a time; the buffer grows only for a single line that is longer."""

_KEYS = ("code", "linkId")
"""The JSON keys that a code of the code map, or the name of a fact, may stand under."""


def mentions(code_map: CodeMap) -> str:
    """A regular expression that finds something in every line of NDJSON that mentions a code of ``code_map``.

    It may find something in other lines, too: what is found is only a reason to read the line. JSON may write any
    character of ASCII as an escape, which is such a reason as well.
    """
    names = {*code_map.vocabulary, *(fact.code for fact in code_map.vocabulary.values())}
    exact = {coding.code for coding in code_map.exact}
    whole = exact | {code.replace(".", "") for code in exact} | names
    # A code of ICD-10 may come without its point.
    begun = {code for coding in code_map.prefixes for code in (coding.code, coding.code.replace(".", ""))}
    codes = "|".join([*(f'{_quoted(code)}"' for code in sorted(whole)), *map(_quoted, sorted(begun))])
    own = rf'"system"\s*:\s*"{_quoted(code_map.own_facts)}"'
    return rf'"(?:{"|".join(_KEYS)})"\s*:\s*"(?:{codes})|{own}|\\u00[2-7]'


def blocks_of_lines(path: Path) -> Iterator[pl.DataFrame]:
    """The lines of ``path`` (gzip where it ends so) as tables with the column ``line``, each of some megabytes.

    Raises ReplayError where the file is damaged or is not UTF-8.
    """
    try:
        for block in _blocks(path):
            yield pl.scan_lines(io.BytesIO(block), name="line").collect()
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise ReplayError(f"{path}: damaged gzip file ({error}); export it again") from error
    except pl.exceptions.ComputeError as error:
        raise ReplayError(f"{path}: is not UTF-8, as NDJSON must be ({error}); export it again") from error


def _blocks(path: Path) -> Iterator[memoryview]:
    """Whole lines, as many as a block holds. What is yielded is overwritten by the next."""
    buffer, filled = bytearray(_BLOCK), 0
    with gzip.open(path) if path.suffix == ".gz" else path.open("rb", buffering=0) as file:
        while read := file.readinto(memoryview(buffer)[filled:]):
            filled += read
            end = buffer.rfind(b"\n", 0, filled) + 1
            if end:
                yield memoryview(buffer)[:end]
                buffer[: filled - end] = buffer[end:filled]
                filled -= end
            elif filled == len(buffer):
                buffer = buffer + bytes(len(buffer))
    if filled:
        yield memoryview(buffer)[:filled]


def _quoted(code: str) -> str:
    """``code`` as JSON quotes it, for a regular expression."""
    return re.escape(code.replace("\\", "\\\\").replace('"', '\\"'))
