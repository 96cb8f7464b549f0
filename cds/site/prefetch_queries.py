"""The prefetch queries of the services: read and search only, with root-level context tokens and token equality.

A query that a proxy or server finds too long is answered 414 and costs the call its observations. So none is longer than
``LONGEST_QUERY`` octets as it is sent: codes are asked for without their system (which the reader checks), over several keys.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from cds.fhir.codes import STANDING
from cds.fhir.reading.code_map import CodeMap
from cds.protocol.prefetch import LONGEST_QUERY, Query, octets
from rules.model.ruleset import Ruleset

_PAGE = 200
_PATIENT_ID = 64
"""Octets of the longest id that FHIR allows, which takes the place of the context token."""


def queries(ruleset: Ruleset, code_map: CodeMap) -> tuple[Query, ...]:
    """What every service asks for: the patient and the encounter, what is recorded, and what is ordered already.

    Observations are asked for by the codes of ``code_map`` for the facts that rules of ``ruleset`` read.
    """
    mine = "patient={{context.patientId}}"
    page, standing, answered = f"_count={_PAGE}", f"status={','.join(STANDING)}", "status=completed,amended"
    return (
        Query("patient", "Patient/{{context.patientId}}", "Patient", needed=True, what="patient"),
        Query("encounter", "Encounter/{{context.encounterId}}", "Encounter", needed=False, what="encounter"),
        *_observed(f"Observation?{mine}&_sort=-date&{page}&code=", observation_codes(ruleset, code_map)),
        Query("conditions", f"Condition?{mine}&{page}", "Bundle", needed=False, what="conditions", dangers=True),
        Query("procedures", f"Procedure?{mine}&{page}", "Bundle", needed=False, what="procedures", dangers=True),
        Query("devices", f"Device?{mine}&{page}", "Bundle", needed=False, what="devices"),
        Query(
            "deviceUses", f"DeviceUseStatement?{mine}&{page}", "Bundle", needed=False, what="device uses", dangers=True
        ),
        Query(
            "fitChecks", f"QuestionnaireResponse?{mine}&{answered}&{page}", "Bundle", needed=False, what="fit checks"
        ),
        Query("orders", f"ServiceRequest?{mine}&{standing}&{page}", "Bundle", needed=False, what="orders"),
        Query("deviceOrders", f"DeviceRequest?{mine}&{standing}&{page}", "Bundle", needed=False, what="device orders"),
        Query("plans", f"CarePlan?{mine}&{standing}&{page}", "Bundle", needed=False, what="care plans"),
    )


def _observed(search: str, codes: Iterable[str]) -> Iterator[Query]:
    """The queries that together ask for all ``codes``; only the first is needed, the others can be done without."""
    for position, chunk in enumerate(_chunks(codes, LONGEST_QUERY - octets(search) - _PATIENT_ID), 1):
        key = "observations" if position == 1 else f"observations{position}"
        yield Query(key, search + ",".join(chunk), "Bundle", needed=position == 1, what="observations", dangers=True)


def _chunks(codes: Iterable[str], room: int) -> Iterator[list[str]]:
    """``codes`` in parts that take at most ``room`` octets each, commas included; one code never stands in two."""
    part: list[str] = []
    taken = 0
    for code in codes:
        more = octets(f",{code}") if part else octets(code)
        if part and taken + more > room:
            yield part
            part, taken, more = [], 0, octets(code)
        part.append(code)
        taken += more
    yield part


def observation_codes(ruleset: Ruleset, code_map: CodeMap) -> list[str]:
    """The codes of observations that can give a fact that a rule of ``ruleset`` reads, by ``code_map``.

    Each stands once, without its system.
    """
    read = ruleset.facts_read
    said = (
        coding.code for coding, meanings in code_map.exact.items() if any(meaning.fact in read for meaning in meanings)
    )
    in_parts = (coding.code for coding, part in code_map.parts.items() if part.fact in read)
    asked = (coding.code for coding in sorted(code_map.finding_questions))
    return list(dict.fromkeys((*said, *in_parts, *asked)))
