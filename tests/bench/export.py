"""An export of an invented hospital of any size: what the collar needs of each patient, among a lot that it does not."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cds.hook_calls import MEASURED, patient

LABORATORY = ("718-7", "2160-0", "2823-3", "2951-2", "6690-2", "777-3", "1742-6", "1988-5")
"""LOINC codes of common blood tests."""


def write_export(folder: Path, patients: int, others: int) -> int:
    """Write one NDJSON file a type: a Patient with ``MEASURED`` and ``others`` laboratory results each. Returns bytes."""
    with (folder / "Patient.ndjson").open("w") as people, (folder / "Observation.ndjson").open("w") as observations:
        measured = [json.dumps(one) for one in MEASURED]
        tested = [json.dumps(_laboratory(number)) for number in range(others)]
        person = json.dumps(patient())
        for number in range(patients):
            name = f"p{number}"
            people.write(person.replace('"p1"', f'"{name}"') + "\n")
            for line in (*measured, *tested):
                observations.write(line.replace("Patient/p1", f"Patient/{name}") + "\n")
    return sum(file.stat().st_size for file in folder.iterdir())


def _laboratory(number: int) -> dict[str, object]:
    return {
        "resourceType": "Observation",
        "id": f"laboratory-{number}",
        "status": "final",
        "category": [{"coding": [{"code": "laboratory"}]}],
        "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": "http://loinc.org", "code": LABORATORY[number % len(LABORATORY)]}]},
        "effectiveDateTime": f"2026-01-30T{number % 24:02}:15:00Z",
        "valueQuantity": {
            "value": 4.5 + number,
            "system": "http://unitsofmeasure.org",
            "code": "mmol/L",
            "unit": "mmol/L",
        },
        "referenceRange": [{"low": {"value": 3.5}, "high": {"value": 5.1}, "text": "adults"}],
    }
