"""The invented patients that come with Nuque: their index, their Bundles, and the same with dates of today."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import AwareDatetime

from rules.errors import KnowledgeError
from rules.loading import schema
from rules.loading.yaml_reader import YamlFile

_PACKAGE = Path(__file__).parents[1]
SHIPPED = next(
    (folder for folder in (_PACKAGE / "demo_bundles", _PACKAGE.parent / "demo_bundles") if folder.is_dir()), None
)
"""The folder of the invented patients: inside the package once installed, beside it in a checkout; None where it is left out."""

_FIRST_PART = re.compile(r"[:;.](?: |$)")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})")


class DemoPatient(schema.Schema):
    """One entry of ``index.yaml``: the Bundle, what it shows, and the moment of decision."""

    file: str
    shows: str
    at: AwareDatetime

    @property
    def number(self) -> str:
        """By what it is called for: what its file begins with."""
        return self.file.split("_")[0]

    @property
    def words(self) -> str:
        """Who it is in few words: how ``shows`` begins."""
        return _FIRST_PART.split(self.shows, maxsplit=1)[0]

    def bundle(self, folder: Path) -> dict[str, Any]:
        """Its Bundle out of ``folder``, with the dates as written."""
        read: dict[str, Any] = json.loads((folder / self.file).read_text(encoding="utf-8"))
        return read


class DemoIndex(schema.Schema):
    """The index of a demo folder."""

    hospital: str
    patients: tuple[DemoPatient, ...]

    @classmethod
    def read(cls, folder: Path) -> DemoIndex:
        """The index of ``folder``. Raises KnowledgeError where it cannot be used."""
        source = YamlFile.read(folder / "index.yaml")
        index = schema.read(source, (), source.data, cls)
        if isinstance(index, list):
            raise KnowledgeError(index)
        return index


def moved(value: Any, by: timedelta) -> Any:
    """``value`` (plain JSON) with every date and moment in it later ``by`` so much; dates by whole days."""
    if isinstance(value, Mapping):
        return {key: moved(part, by) for key, part in value.items()}
    if isinstance(value, list):
        return [moved(part, by) for part in value]
    if not isinstance(value, str):
        return value
    if _MOMENT.fullmatch(value):
        then = datetime.fromisoformat(value) + by
        return then.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    if _DATE.fullmatch(value):
        return (date.fromisoformat(value) + timedelta(days=round(by / timedelta(days=1)))).isoformat()
    return value
