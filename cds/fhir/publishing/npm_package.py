"""What is published as a FHIR package: the archive that validators, servers and guide builders install.

The same content gives the same bytes: files are in order, and no clock, user or machine gets in.
Source: FHIR NPM Package Specification (HL7), https://hl7.org/fhir/packages.html
"""

from __future__ import annotations

import gzip
import io
import json
import tarfile
from collections.abc import Mapping

from cds.fhir.datatypes import Element, Resource
from cds.fhir.publishing.implementation_guide import FHIR_VERSION, LICENSE, package_id
from cds.fhir.publishing.metadata import PUBLISHER
from rules.model.ruleset import Ruleset

_INDEXED = ("resourceType", "id", "url", "version", "kind", "type")


def package(
    ruleset: Ruleset, resources: Mapping[tuple[str, str], Resource], base: str, others: Mapping[str, str]
) -> bytes:
    """The archive (gzipped tar) of ``resources`` under ``base`` and, by name, ``others`` that are not FHIR resources.

    ``resources`` are by type and name; ``ruleset`` gives the package its name and version.
    """
    files = {f"package/{kind}-{name}.json": _json(resource) for (kind, name), resource in resources.items()}
    files |= {f"package/other/{name}": content for name, content in others.items()}
    files["package/package.json"] = _json(_manifest(ruleset, base))
    files["package/.index.json"] = _json({"index-version": 1, "files": list(map(_indexed, resources.values()))})
    return _archive(files)


def _manifest(ruleset: Ruleset, base: str) -> Element:
    return {
        "name": package_id(ruleset),
        "version": ruleset.version,
        "type": "IG",
        "title": ruleset.title,
        "description": ruleset.disclaimer,
        "canonical": base,
        "fhirVersions": [FHIR_VERSION],
        "dependencies": {"hl7.fhir.r4.core": FHIR_VERSION},
        "author": PUBLISHER,
        "license": LICENSE,
        "keywords": ["clinical decision support"],
    }


def _indexed(resource: Resource) -> Element:
    # The type of a definition is a code; that of a PlanDefinition is a concept, and no matter of the index.
    plain = {key: resource[key] for key in _INDEXED if isinstance(resource.get(key), str)}
    return {"filename": f"{resource['resourceType']}-{resource['id']}.json", **plain}


def _json(content: object) -> str:
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _archive(files: Mapping[str, str]) -> bytes:
    packed = io.BytesIO()
    with (
        gzip.GzipFile(fileobj=packed, mode="wb", filename="", mtime=0) as zipped,
        tarfile.open(fileobj=zipped, mode="w", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for name in sorted(files):
            content = files[name].encode()
            entry = tarfile.TarInfo(name)
            entry.size, entry.mode = len(content), 0o644
            archive.addfile(entry, io.BytesIO(content))
    return packed.getvalue()
