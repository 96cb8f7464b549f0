"""The patient of a message, out of the FHIR Patient that was sent: number, name, birth date, sex."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.fhir.json_access import items, mapping, text
from cds.hl7v2.order_message import PatientIdentification


def identification(patient: Mapping[str, Any], reference: str, encounter: str | None) -> PatientIdentification:
    """Who ``patient`` is (an empty object where no Patient was sent).

    The number is that of the identifier marked as usual or official, or else the first, with its assigner; without any it is
    the id in ``reference`` (``Patient/1``). ``encounter`` is a reference too, and gives the visit number.
    """
    chosen = _preferred(items(patient, "identifier"))
    name = _preferred(items(patient, "name"))
    given = " ".join(part for part in items(name, "given") if isinstance(part, str))
    return PatientIdentification(
        number=text(chosen, "value") or _id(reference),
        authority=text(mapping(chosen, "assigner"), "display") or "" if text(chosen, "value") else "",
        family=text(name, "family") or ("" if given else text(name, "text") or ""),
        given=given,
        birth_date=text(patient, "birthDate") or "",
        sex=text(patient, "gender") or "",
        visit=_id(encounter) if encounter else "",
    )


def _preferred(entries: list[Any]) -> Any:
    """The one that is marked for use, or else the first that is not out of use."""
    usable = [each for each in entries if text(each, "use") not in ("old", "temp", "nickname", "maiden")]
    return next((each for each in usable if text(each, "use") in ("usual", "official")), usable[0] if usable else {})


def _id(reference: str) -> str:
    return reference.rpartition("/")[2]
