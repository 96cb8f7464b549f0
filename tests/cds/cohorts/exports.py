"""Bulk Data exports for the tests: made of the demonstration's patients, or of invented ones in any number."""

from __future__ import annotations

import gzip
import json
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

DEMO = Path(__file__).parents[3] / "demo_bundles"


def demo_bundles() -> list[dict[str, Any]]:
    """Every bundle of the demonstration."""
    found = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(DEMO.glob("*.json"))]
    return [one for one in found if one.get("resourceType") == "Bundle"]


def write_export(folder: Path, resources: Iterable[dict[str, Any]], zipped: frozenset[str] = frozenset()) -> Path:
    """Write ``resources`` as one NDJSON file a type; those of the types ``zipped`` compressed."""
    by_type: dict[str, list[str]] = defaultdict(list)
    for resource in resources:
        by_type[resource["resourceType"]].append(json.dumps(resource))
    folder.mkdir(parents=True, exist_ok=True)
    for kind, lines in by_type.items():
        content = ("\n".join(lines) + "\n").encode()
        if kind in zipped:
            (folder / f"{kind}.ndjson.gz").write_bytes(gzip.compress(content))
        else:
            (folder / f"{kind}.ndjson").write_bytes(content)
    return folder
