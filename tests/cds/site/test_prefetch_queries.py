"""What the services ask the record for: every code of an Observation that can give a fact, in templates that are short enough."""

from cds.fhir.codes import STANDING
from cds.protocol.prefetch import LONGEST_QUERY, octets
from cds.site.prefetch_queries import observation_codes, queries
from tests.cds.fhir.reading.sent import code_map, ruleset


def test_all_codes_of_observations_are_asked_for() -> None:
    """AVPU, the parts of a coma score (LOINC), and the question what was found (SNOMED CT, LOINC)."""
    asked = observation_codes(ruleset(), code_map())
    assert {"67775-7", "9267-6", "9270-0", "9268-4", "404684003", "29308-4"} <= set(asked)
    assert len(asked) == len(set(asked))
    templates = [query.template for query in queries(ruleset(), code_map()) if query.key.startswith("observations")]
    assert sorted(",".join(template.partition("code=")[2] for template in templates).split(",")) == sorted(asked)
    assert all(octets(template) < LONGEST_QUERY <= 2000 for template in templates)


def test_what_is_on_hold_is_asked_for_as_what_stands() -> None:
    """Else it would be offered again: what counts as standing is what is asked for."""
    asked = [query for query in queries(ruleset(), code_map()) if "&status=draft" in query.template]
    assert {query.key for query in asked} == {"orders", "deviceOrders", "plans"}
    assert all(f"&status={','.join(STANDING)}&" in query.template for query in asked)
