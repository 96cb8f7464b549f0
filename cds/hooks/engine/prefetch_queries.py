"""The prefetch queries of the services: read and search only, with root-level context tokens and token equality."""

from __future__ import annotations

from cds.protocol.prefetch import Query
from cds.site.content import Content

_PAGE = 200


def queries(content: Content) -> tuple[Query, ...]:
    """What every service asks for: the patient and the encounter, what is recorded, and what is ordered already."""
    mine = "patient={{context.patientId}}"
    page, standing, answered = f"_count={_PAGE}", "status=draft,active", "status=completed,amended"
    observed = f"Observation?{mine}&code={','.join(observation_codes(content))}&_sort=-date&{page}"
    return (
        Query("patient", "Patient/{{context.patientId}}", "Patient", needed=True, what="patient"),
        Query("encounter", "Encounter/{{context.encounterId}}", "Encounter", needed=False, what="encounter"),
        Query("observations", observed, "Bundle", needed=True, what="observations"),
        Query("conditions", f"Condition?{mine}&{page}", "Bundle", needed=False, what="conditions"),
        Query("procedures", f"Procedure?{mine}&{page}", "Bundle", needed=False, what="procedures"),
        Query("devices", f"Device?{mine}&{page}", "Bundle", needed=False, what="devices"),
        Query("deviceUses", f"DeviceUseStatement?{mine}&{page}", "Bundle", needed=False, what="device uses"),
        Query(
            "fitChecks", f"QuestionnaireResponse?{mine}&{answered}&{page}", "Bundle", needed=False, what="fit checks"
        ),
        Query("orders", f"ServiceRequest?{mine}&{standing}&{page}", "Bundle", needed=False, what="orders"),
        Query("plans", f"CarePlan?{mine}&{standing}&{page}", "Bundle", needed=False, what="care plans"),
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
