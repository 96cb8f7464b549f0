"""Generated patients as FHIR Bundles: the facts, in records of every type that is read, and beside them what must not count.

Older, stale, cancelled, changed, future, contradictory and implausible values, other units, values without a time.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from cds.fhir.canonical_urls import code
from cds.fhir.publishing.cql.fact_definitions import accepted_units
from cds.fhir.reading.code_map import CodeMap
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Ruleset
from rules.testing.generators import Generator
from tests.published.engines.generated_other_records import OtherRecords

Resource = dict[str, Any]

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
AGE, SEX = "age_years", "sex"
_SPOILT = 0.15
"""Share of facts beside which something stands that must not count, or that must win."""
_IN_OTHERS, _NOT_OBSERVED = 0.5, 0.6
"""Share of facts that stand in a record of another type, and of those the share that stand in no Observation beside it."""


class RecordWriter:
    """Writes Bundles for one rule set. The same seed gives the same Bundles."""

    def __init__(
        self, ruleset: Ruleset, code_map: CodeMap, seed: int = 0, *, texts: bool = True, own_focus: bool = True
    ) -> None:
        """With ``texts`` some codes are written as text; with ``own_focus`` some Observations name the patient's own as focus."""
        self._ruleset = ruleset
        self._code_map = code_map
        self._patients = Generator(ruleset, seed)
        self._random = random.Random(seed)
        self._texts, self._own_focus = texts, own_focus
        self._count = 0
        self._others = OtherRecords(code_map, self._random, AT, self._stated, texts=texts)

    def bundles(self, count: int) -> Iterator[Resource]:
        """``count`` Bundles, each of one patient at the moment ``AT``."""
        for number, facts in enumerate(self._patients.patients(count)):
            resources = [self._patient(f"p{number}", facts), *self._records(f"p{number}", facts)]
            yield {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in resources]}

    def _patient(self, identity: str, facts: dict[str, FactValue]) -> Resource:
        patient: Resource = {"resourceType": "Patient", "id": identity}
        if AGE in facts:
            born = (AT - timedelta(days=float(facts[AGE]) * 365.25)).date().isoformat()
            patient["birthDate"] = born[: self._random.choice([10, 10, 10, 7, 4])]
            if self._random.random() < 0.3:
                del patient["birthDate"]
        if SEX in facts and self._random.random() < 0.5:
            patient["gender"] = {"male": "male", "female": "female"}.get(str(facts[SEX]), "unknown")
        return patient

    def _records(self, patient: str, facts: dict[str, FactValue]) -> Iterator[Resource]:
        self._count = 0
        for name, value in facts.items():
            fact = self._ruleset.vocabulary[name]
            if fact.numeric and not self._plausible(fact, value):
                continue
            if name == AGE:
                if self._random.random() < 0.5:
                    continue
                value = self._random.choice([value, value, self._patients.answer(fact)])
            if self._random.random() < _IN_OTHERS:
                yield from self._others.of(patient, fact, value, self._hours(fact))
                if self._random.random() < _NOT_OBSERVED:
                    continue
            yield self._observation(patient, fact, value, self._hours(fact))
            if self._random.random() < _SPOILT:
                yield from self._beside(patient, fact, value)

    def _plausible(self, fact: FactDefinition, value: FactValue) -> bool:
        return fact.problem(value) is None

    def _hours(self, fact: FactDefinition) -> float:
        limit = self._ruleset.stale_after_hours(fact) or 48
        longest = self._ruleset.looked_back_hours(fact) or limit
        return self._random.choice([0.5, 1, limit / 2, limit, limit + 1, longest, longest + 1])

    def _beside(self, patient: str, fact: FactDefinition, value: FactValue) -> Iterator[Resource]:
        """One more record of ``fact``: in some ways it must not count, in others it must win."""
        other, hours = self._patients.answer(fact), self._hours(fact)
        limit = self._ruleset.stale_after_hours(fact)
        kind = self._random.randrange(10)
        if kind == 0:
            yield self._observation(patient, fact, other, hours + 1)
        elif kind == 1:
            yield self._observation(patient, fact, other, (limit or 1000) + 1)
        elif kind == 2:
            yield {**self._observation(patient, fact, other, 0.25), "status": "entered-in-error"}
        elif kind == 3:
            changed = {"url": "http://hospital.example/negated", "valueBoolean": True}
            beside = [{"modifierExtension": [changed]}, {"dataAbsentReason": {"text": "not performed"}}]
            yield self._observation(patient, fact, other, 0.25) | self._random.choice(beside)
        elif kind == 4:
            yield self._observation(patient, fact, other, -24)
        elif kind == 5:
            yield self._observation(patient, fact, other, 0.1)
            yield self._observation(patient, fact, self._patients.answer(fact), 0.1)
        elif kind == 6:
            untimed = self._observation(patient, fact, other, 0)
            del untimed["effectiveDateTime"]
            yield untimed
        elif kind == 7:
            lasting = self._observation(patient, fact, other, 0)
            del lasting["effectiveDateTime"]
            begun = {"start": _written(self._random.choice([30, (limit or 48) + 5]))}
            times = [
                {"effectivePeriod": begun},
                {"effectivePeriod": begun | {"end": _written(self._random.choice([0.2, -5]))}},
                {"effectivePeriod": {"start": "2025-12-01", "end": "2026-01-30"}},
                {"effectivePeriod": {"start": _written(0.2), "end": _written(0.5)}},
                {"effectivePeriod": {"start": "2026-01-31", "end": "2026-01"}},
                {"effectiveDateTime": _written(self._random.choice([hours, (limit or 48) + 10]))[:10]},
            ]
            yield lasting | self._random.choice(times)
        elif kind == 8:
            # R4, Observation.focus: somebody else, what does not say, and things of the patient's.
            focus = [
                {"reference": "RelatedPerson/fetus"},
                {"type": "RelatedPerson", "display": "donor"},
                {"reference": "https://ehr.example/fhir/Patient/mother/_history/2"},
                {"reference": "urn:uuid:9a1b"},
            ]
            if self._own_focus:
                focus += [
                    {"reference": "Condition/sore"},
                    {"type": "Device", "display": "collar"},
                    {"reference": f"Patient/{patient}"},
                ]
            yield self._observation(patient, fact, other, 0.1) | {"focus": [self._random.choice(focus)]}
        elif fact.numeric:
            beyond = {"value": 1e6, "system": "http://unitsofmeasure.org", "code": fact.unit or "1"}
            wrong = {"value": 5, "system": "http://unitsofmeasure.org", "code": "mol"}
            refused = self._observation(patient, fact, other, 0.1)
            yield {**refused, "valueQuantity": self._random.choice([beyond, wrong])}

    def _observation(self, patient: str, fact: FactDefinition, value: FactValue, hours: float) -> Resource:
        self._count += 1
        return {
            "resourceType": "Observation",
            "id": f"o{self._count:04}",
            "status": self._random.choice(["final", "amended", "corrected"]),
            "code": {"coding": [{"system": self._code_map.own_facts, "code": fact.code}]},
            "subject": {"reference": f"Patient/{patient}"},
            "effectiveDateTime": _written(hours),
            **self._stated(fact, value),
        }

    def _stated(self, fact: FactDefinition, value: FactValue) -> Resource:
        if isinstance(value, bool):
            if self._random.random() < 0.8:
                return {"valueBoolean": value}
            if self._texts and self._random.random() < 0.3:
                return {"valueCodeableConcept": {"text": "Present" if value else "absent "}}
            return {"valueCodeableConcept": self._own("yes" if value else "no")}
        if isinstance(value, str):
            return {"valueCodeableConcept": self._own(code(value))}
        units = accepted_units(fact, self._code_map)
        if "1" in units and self._random.random() < 0.5:  # A score may come without a unit, and as text.
            plain = self._random.choice([{"valueInteger": value}, {"valueQuantity": {"value": value}}])
            return {"valueString": f" {value}"} if self._texts and self._random.random() < 0.3 else plain
        unit = self._random.choice(list(units))
        written = round(value / units[unit], 4)
        return {"valueQuantity": {"value": written, "system": "http://unitsofmeasure.org", "code": unit}}

    def _own(self, value: str) -> Resource:
        return {"coding": [{"system": self._code_map.own_values, "code": value}]}


def _written(hours: float) -> str:
    """The moment so many hours before ``AT``."""
    return (AT - timedelta(seconds=round(hours * 3600))).isoformat().replace("+00:00", "Z")
