"""The prefetch queries of the services: read and search only, with root-level context tokens and token equality."""

from __future__ import annotations

from cds.content import Content
from cds.prefetch import Query

_PAGE = 200


def patient_queries(content: Content) -> tuple[Query, ...]:
    """What every service asks for: the patient, the encounter, the observations that rules read, and active conditions."""
    mine = "patient={{context.patientId}}"
    codes = ",".join(observation_codes(content))
    return (
        Query("patient", "Patient/{{context.patientId}}", "Patient", needed=True, what="patient"),
        Query("encounter", "Encounter/{{context.encounterId}}", "Encounter", needed=False, what="encounter"),
        Query(
            "observations",
            f"Observation?{mine}&code={codes}&_sort=-date&_count={_PAGE}",
            "Bundle",
            needed=True,
            what="observations",
        ),
        Query("conditions", f"Condition?{mine}&_count={_PAGE}", "Bundle", needed=False, what="conditions"),
    )


def standing_care_queries() -> tuple[Query, ...]:
    """What is already ordered and planned."""
    mine = "patient={{context.patientId}}&status=draft,active"
    return (
        Query("orders", f"ServiceRequest?{mine}&_count={_PAGE}", "Bundle", needed=False, what="orders"),
        Query("plans", f"CarePlan?{mine}&_count={_PAGE}", "Bundle", needed=False, what="care plans"),
    )


def observation_codes(content: Content) -> list[str]:
    """Codes, as ``system|code``, of the observations that can give a fact that a rule reads; each once."""
    read = content.ruleset.facts_read
    return list(
        dict.fromkeys(
            f"{coding.system}|{coding.code}"
            for coding, meanings in content.code_map.exact.items()
            if any(meaning.fact in read for meaning in meanings)
        )
    )
