"""The published artefacts in engines of others, patient by patient, beside what the service decides."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from cds.fhir.publishing.cql.library_source import cql_library
from cds.fhir.reading.code_map import CodeMap
from rules.model.ruleset import Ruleset
from tests.published.engines.decided import Said, Service, in_order
from tests.published.engines.generated_records import AT
from tests.published.engines.node import answers, engines, run


def translated(ruleset: Ruleset, code_map: CodeMap) -> Path:
    """The library in ELM, as an outside translator writes it. Kept, because translating takes ten seconds and more."""
    source = cql_library(ruleset, code_map)
    script = Path(__file__).with_name("translate.mjs").read_text()
    file = engines() / f"{hashlib.sha256((source + script).encode()).hexdigest()}.json"
    if not file.exists():
        file.write_text(run("translate.mjs", given=source))
    return file


def by_cql(elm: Path, bundles: Iterable[object]) -> Iterator[Said]:
    """What a CQL engine says of each of ``bundles``."""
    yield from map(
        in_order, answers("cql_execution.mjs", str(elm), AT.isoformat(timespec="milliseconds"), asked=bundles)
    )


def by_cqframework(ruleset: Ruleset, code_map: CodeMap, bundles: Iterable[object]) -> Iterator[Said]:
    """What the second CQL engine, which translates the library itself, says of each of ``bundles``.

    Its functions of text are not finished (Split is missing, ReplaceMatches answers in quotes): it is given no codes as text. It
    takes an Observation with any focus for one about somebody else: it is given no focus that is the patient's.
    """
    file = engines() / "library.cql"
    file.write_text(cql_library(ruleset, code_map))
    yield from map(
        in_order, answers("cqframework.mjs", str(file), AT.isoformat(timespec="milliseconds"), asked=bundles)
    )


def differences(service: Service, bundles: Iterable[object], said: Iterable[Said]) -> Iterator[Mapping[str, Any]]:
    """For each Bundle that is decided differently: what only the service, and what only the engine says, part by part."""
    for bundle, other in zip(bundles, said, strict=True):
        ours = json.loads(json.dumps(service.said(bundle)))
        apart = {part: _apart(ours[part], other[part]) for part in ours if ours[part] != other[part]}
        if apart:
            yield apart


def _apart(ours: Any, other: Any) -> tuple[Any, Any]:
    if not isinstance(ours, list):
        return ours, other
    return [one for one in ours if one not in other], [one for one in other if one not in ours]
