"""Generated records of the types beside Patient and Observation, as patients have them: most count, many only nearly.

Wrong status, refuted, resolved, entered in error, overdue, in the future, of a period that does not say when, two answers
where one is expected, a device of another kind, a location that was left.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, timezone
from typing import Any

from cds.fhir.publishing.cql.diagnoses_procedures_orders import codes_of
from cds.fhir.reading.code_map import ANY_CODE, CodeMap, CodingKey
from cds.fhir.reading.device_use import HOURS, IN_PLACE, KIND
from cds.fhir.reading.encounter import SETTING
from rules.model.facts import FactDefinition, FactValue

Resource = dict[str, Any]
Stated = Callable[[FactDefinition, FactValue], Resource]

_CODED = ("Condition", "Procedure", "ServiceRequest")
_ELSEWHERE = timezone(timedelta(hours=5, minutes=30))
_LIKELY = 0.7
"""Share of records in which one element is as it should be."""


class OtherRecords:
    """Writes records of one patient around the moment ``at``; ``stated`` gives the value[x] that says a fact.

    With ``texts`` some codes are written as text.
    """

    def __init__(
        self, code_map: CodeMap, drawn: random.Random, at: datetime, stated: Stated, *, texts: bool = True
    ) -> None:
        self._texts = texts
        self._code_map = code_map
        self._random = drawn
        self._at = at
        self._stated = stated
        self._count = 0

    def of(self, patient: str, fact: FactDefinition, value: FactValue, hours: float) -> Iterator[Resource]:
        """Records from which ``fact`` may be read, about as old as ``hours``."""
        about = {"subject": {"reference": f"Patient/{patient}"}}
        if fact.name == SETTING:
            forms = [self._encounter]
        elif fact.name in (IN_PLACE, KIND, HOURS):
            forms = [self._device_use]
        elif fact.type == "boolean":
            forms = [self._coded, self._coded, self._answered, self._component]
        else:
            forms = [self._answered, self._component]
        for resource in self._random.choice(forms)(fact, value, hours):
            resource = {"id": self._new_id("r")} | resource
            if resource["resourceType"] not in ("Device", "Location"):
                resource |= about
            if self._random.random() < 0.03:
                resource["modifierExtension"] = [{"url": "http://hospital.example/negated", "valueBoolean": True}]
            yield resource

    def _new_id(self, letter: str) -> str:
        self._count += 1
        return f"{letter}{self._count:05}"

    def _mostly(self, usual: Any, *others: Any) -> Any:
        return usual if self._random.random() < _LIKELY else self._random.choice(others)

    def _moment(self, hours: float) -> str:
        moment = self._at - timedelta(seconds=round(hours * 3600))
        return self._mostly(moment, moment.astimezone(_ELSEWHERE)).isoformat().replace("+00:00", "Z")

    def _day(self, hours: float) -> str:
        return self._moment(hours)[:10]

    def _period(self, hours: float) -> Resource:
        return self._random.choice(
            [
                {"start": self._moment(hours)},
                {"start": self._moment(hours + 5), "end": self._moment(hours)},
                {"start": self._moment(hours), "end": self._moment(hours + 5)},
                {"start": self._day(hours), "end": self._day(hours)},
                {"start": self._moment(hours), "end": self._moment(-8)},
                {"end": self._moment(hours)},
                {"end": self._moment(-8)},
            ]
        )

    # --- what the code alone says

    def _coded(self, fact: FactDefinition, value: FactValue, hours: float) -> Iterator[Resource]:
        kind = self._random.choice(_CODED)
        concept = {"coding": [self._coding(fact, kind)]}
        if self._random.random() < 0.1:
            concept["coding"].append({"system": "http://hospital.example/codes", "code": "H1"})
        written = {"Condition": self._condition, "Procedure": self._procedure, "ServiceRequest": self._order}[kind]
        if self._random.random() < 0.15:
            yield {"resourceType": "Observation"} | self._finding(concept, hours)
        else:
            yield {"resourceType": kind} | written(concept, bool(value), hours)

    def _finding(self, concept: Resource, hours: float) -> Resource:
        asked = self._mostly(*map(_coding_of, sorted(self._code_map.finding_questions)), {"text": "Examination"})
        return self._said_to_lack() | {
            "status": self._mostly("final", "preliminary"),
            "code": asked,
            "effectiveDateTime": self._moment(hours),
            "valueCodeableConcept": concept,
        }

    def _said_to_lack(self) -> Resource:
        """Now and then the word that there is no value, beside one."""
        return {"dataAbsentReason": {"text": "not performed"}} if self._random.random() < 0.1 else {}

    def _modified(self) -> Resource:
        """Now and then what may change the meaning of an item, or of an answer, and of all that stands under it."""
        negated = {"url": "http://hospital.example/negated", "valueBoolean": True}
        return {"modifierExtension": [negated]} if self._random.random() < 0.05 else {}

    def _coding(self, fact: FactDefinition, kind: str) -> Resource:
        """One of the codes of ``fact``, or one that begins like one."""
        keys: list[CodingKey] = []
        for codes in codes_of(fact, self._code_map, kind).values():
            keys.extend(codes.whole)
            keys.extend(
                CodingKey(key.system, key.code + self._random.choice(["", "1", "2XA"])) for key in codes.beginnings
            )
        chosen = self._random.choice(keys)
        return {"system": chosen.system, "code": chosen.code}

    def _condition(self, concept: Resource, present: bool, hours: float) -> Resource:
        times = [{"recordedDate": self._moment(hours)}, {"recordedDate": self._day(hours)}]
        times += [
            {"onsetDateTime": self._moment(hours)},
            {"onsetPeriod": self._period(hours)},
            {"onsetString": "lately"},
            {},
        ]
        times += [{"recordedDate": self._moment(hours), "onsetDateTime": self._moment(hours + 50)}]
        began = self._day(hours + self._random.choice([0, 24, 3000, 20000]))
        times += [{"recordedDate": self._moment(hours), "onsetDateTime": began[:length]} for length in (4, 7, 10)]
        times += [{"onsetDateTime": began[:7]}, {"recordedDate": self._moment(hours + 9000)}]
        kinds = self._random.choice(
            [[], ["encounter-diagnosis"], ["problem-list-item"], ["encounter-diagnosis", "problem-list-item"]]
        )
        category = (
            {
                "category": [
                    {"coding": [{"code": kind, "system": "http://terminology.hl7.org/CodeSystem/condition-category"}]}
                    for kind in kinds
                ]
            }
            if kinds
            else {}
        )
        verification = "confirmed" if present else self._mostly("refuted", "confirmed")
        verification = self._mostly(
            verification, None, "unconfirmed", "provisional", "entered-in-error", "differential", ""
        )
        clinical = self._mostly("active", None, "recurrence", "relapse", "inactive", "remission", "resolved", "")
        statuses = {"verificationStatus": verification, "clinicalStatus": clinical}
        written = {key: _status(said) for key, said in statuses.items() if said is not None}
        ended = {"abatementDateTime": self._moment(1)} if self._random.random() < 0.15 else {}
        return {"code": concept} | category | written | self._random.choice(times) | ended

    def _procedure(self, concept: Resource, _: bool, hours: float) -> Resource:
        times = [{"performedDateTime": self._moment(hours)}, {"performedPeriod": self._period(hours)}]
        times += [{"performedDateTime": self._day(hours)}, {"performedString": "lately"}, {}]
        status = self._mostly(
            "completed", "in-progress", "not-done", "preparation", "stopped", "entered-in-error", "unknown"
        )
        return {"status": status, "code": concept} | self._random.choice(times)

    def _order(self, concept: Resource, _: bool, hours: float) -> Resource:
        due = self._random.choice([-30, -2, 1, 30])
        times = [{}, {"occurrenceDateTime": self._moment(due)}, {"occurrenceDateTime": self._day(due)}]
        times += [{"occurrencePeriod": {"start": self._moment(40), "end": self._moment(due)}}]
        times += [{"occurrencePeriod": {"start": self._moment(-50), "end": self._moment(due)}}]
        times += [
            {"occurrencePeriod": {"start": self._moment(due)}},
            {"occurrenceTiming": {"event": [self._moment(due)]}},
        ]
        order = {
            "status": self._mostly("active", "draft", "on-hold", "revoked", "completed", "entered-in-error"),
            "intent": self._mostly("order", "plan", "proposal", "filler-order", "option"),
            "code": concept,
        }
        if self._random.random() < 0.2:
            order["doNotPerform"] = self._mostly(False, True)
        if self._random.random() < 0.3:
            order |= {"code": {"text": "as discussed"}, "category": [{"text": "care"}, concept]}
        authored = {} if self._random.random() < 0.1 else {"authoredOn": self._moment(hours)}
        return order | authored | self._random.choice(times)

    # --- what is stated by a value

    def _answered(self, fact: FactDefinition, value: FactValue, hours: float) -> Iterator[Resource]:
        answer = self._answer(fact, value, hours)
        if self._random.random() < 0.03:
            answer["modifierExtension"] = [{"url": "http://hospital.example/negated", "valueBoolean": True}]
        answers = self._mostly([answer], [answer], [answer], [answer, answer], [])
        item: Resource = {"linkId": self._random.choice([fact.code, fact.name]), "answer": answers} | self._modified()
        for _ in range(self._random.randrange(4)):
            inside = [{"linkId": "other"}, item]
            item = self._random.choice(
                [
                    {"linkId": "group", "item": inside} | self._modified(),
                    {"linkId": "asked", "answer": [{"valueBoolean": True, "item": inside} | self._modified()]},
                ]
            )
        yield {
            "resourceType": "QuestionnaireResponse",
            "status": self._mostly("completed", "amended", "in-progress", "stopped", "entered-in-error"),
            "item": [item],
        } | self._mostly({"authored": self._moment(hours)}, {"authored": self._moment(hours)}, {})

    def _component(self, fact: FactDefinition, value: FactValue, hours: float) -> Iterator[Resource]:
        whole = {"system": self._code_map.own_facts, "code": fact.code}
        part: Resource = {"code": {"coding": [self._mostly(whole, self._coding(fact, "Observation"))]}}
        part |= self._stated(fact, value) | self._said_to_lack()
        if self._random.random() < 0.05:
            part["modifierExtension"] = [{"url": "http://hospital.example/negated", "valueBoolean": True}]
        panel = {"coding": [{"system": "http://hospital.example/codes", "code": "panel"}]}
        yield {
            "resourceType": "Observation",
            "status": self._mostly("final", "amended", "corrected", "preliminary", "cancelled"),
            "code": panel,
            "effectiveDateTime": self._moment(hours),
            "component": [{"code": panel, "valueString": "none"}, part],
        }

    def _answer(self, fact: FactDefinition, value: FactValue, hours: float) -> Resource:
        """``value`` as the value[x] of an answer, which takes no CodeableConcept."""
        if fact.name in self._code_map.elapsing and self._random.random() < 0.5:
            return {"valueDateTime": self._moment(self._mostly(float(value), -3.0))}
        stated = self._stated(fact, value)
        if "text" in stated.get("valueCodeableConcept", {}):
            return {"valueString": stated["valueCodeableConcept"]["text"]}
        if "valueCodeableConcept" in stated:
            coding = stated["valueCodeableConcept"]["coding"][0]
            words = f" {coding['code'].replace('-', '_').capitalize()} "
            written = self._random.choice([{"valueCoding": coding}, {"valueString": words}])
            return written if self._texts else {"valueCoding": coding}
        if "valueBoolean" in stated and self._random.random() < 0.2 and self._texts:
            return {"valueString": "Yes" if value else "no"}
        if "valueQuantity" in stated and self._random.random() < 0.3:
            return self._random.choice([{"valueInteger": int(value)}, {"valueDecimal": float(value)}])
        return stated

    # --- what has records of its own

    def _device_use(self, fact: FactDefinition, value: FactValue, hours: float) -> Iterator[Resource]:
        device = self._new_id("d")
        collars = [key for key, collar in self._code_map.collars.items() if collar.kind is None or collar.kind == value]
        key = (
            self._random.choice(collars)
            if self._random.random() < 0.9
            else CodingKey("http://hospital.example/codes", "walker")
        )
        coding = {"system": key.system, "code": "adult H3 G2" if key.code == ANY_CODE else key.code}
        collar = {"resourceType": "Device", "id": device, "type": {"coding": [coding]}}
        reference = self._mostly(f"Device/{device}", f"https://hospital.example/fhir/Device/{device}/_history/2")
        sent = self._random.choices(["along", "contained", "not"], [70, 25, 5])[0]
        if sent == "along":
            yield collar
        held = {"contained": [collar]} if sent == "contained" else {}
        if held:
            reference = f"#{device}"
        if fact.name == HOURS:
            hours = float(value)
        on = value is not False
        timing = [{"timingPeriod": self._period(hours)}, {"timingDateTime": self._moment(hours)}, {}]
        noted = {"recordedOn": self._moment(self._mostly(hours, hours + 1, -2))} if self._random.random() < 0.5 else {}
        status = self._mostly(
            "active" if on else "completed", "stopped", "intended", "on-hold", "entered-in-error", "active"
        )
        use = {"resourceType": "DeviceUseStatement", "status": status, "device": {"reference": reference}}
        yield use | held | self._random.choice(timing) | noted

    def _encounter(self, _: FactDefinition, value: FactValue, hours: float) -> Iterator[Resource]:
        for _ in range(self._mostly(1, 2)):
            yield from self._one_encounter(value, hours)
            value, hours = (
                self._random.choice(sorted(set(self._code_map.settings.values()))),
                hours + self._mostly(0.0, 3.0, -60.0),
            )

    def _one_encounter(self, value: FactValue, hours: float) -> Iterator[Resource]:
        every = list(self._code_map.settings)
        keys = [key for key in every if self._code_map.settings[key] == value] or every
        stays = []
        for _ in range(self._random.randrange(3)):
            location = self._new_id("l")
            key = self._mostly(self._random.choice(keys), self._random.choice(every))
            yield {
                "resourceType": "Location",
                "id": location,
                "type": [{"coding": [{"system": key.system, "code": key.code}]}],
            }
            stay: Resource = {"location": {"reference": f"Location/{location}"}}
            if self._random.random() < 0.5:
                stay["status"] = self._mostly("active", "planned", "reserved", "completed")
            if self._random.random() < 0.5:
                stay["period"] = {"start": self._moment(hours)} | self._mostly(
                    {}, {"end": self._moment(0.5)}, {"end": self._moment(-9)}
                )
            stays.append(stay)
        own = self._random.choice(keys)
        encounter: Resource = {
            "resourceType": "Encounter",
            "status": self._mostly("in-progress", "arrived", "triaged", "onleave", "planned", "finished", "cancelled"),
            "class": {"system": own.system, "code": own.code},
        }
        if stays:
            encounter["location"] = stays
        yield encounter | self._mostly(
            {"period": {"start": self._moment(hours)}}, {}, {"period": {"start": self._day(hours)}}
        )


def _coding_of(key: CodingKey) -> Resource:
    return {"coding": [{"system": key.system, "code": key.code}]}


def _status(said: str) -> Resource:
    return {"coding": [{"code": said}]} if said else {"text": "see notes"}
