"""The invented patients: valid R4, each showing what it claims, and together reaching everything that the rules can say."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import fhirkit
import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import Reading, read
from cds.site.catalogue import Catalogue
from cds.site.catalogue_matching import Shelf
from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import Decision
from tests.published.fhir_r4.official import TYPES, problems
from tests.shipped_content import RULESET

DEMO = Path(__file__).parents[2] / "demo_bundles"
INDEX = YamlFile.read(DEMO / "index.yaml").data["patients"]
FILES = [entry["file"] for entry in INDEX]
HOOKS = {
    "collar-order-select": "order-select",
    "collar-order-sign": "order-sign",
    "collar-patient-view": "patient-view",
    "collar-discharge": "encounter-discharge",
}
CODE_MAP = load_code_map(RULESET)
DECIDER = Decider(RULESET)


@dataclass(frozen=True)
class Shown:
    """What one demo patient comes to."""

    reading: Reading
    decision: Decision
    shelf: Shelf

    @property
    def codes(self) -> list[str]:
        return [candidate.size_class.code for candidate in self.decision.candidates]

    @property
    def cautions(self) -> set[str]:
        return {rule for caution in self.decision.cautions for rule in caution.rules}

    @property
    def leading(self) -> set[str]:
        return {rule for caution in self.decision.leading for rule in caution.rules}

    @property
    def holds(self) -> set[str]:
        return {rule for hold in self.decision.holds for rule in hold.rules}

    @property
    def facts(self) -> dict[str, Any]:
        return {fact.name: fact.value for fact in self.reading.facts}

    @property
    def tasks(self) -> set[str]:
        return {task.task for task in self.decision.tasks}

    @property
    def items(self) -> list[str]:
        return [item.item for item in self.shelf.items]

    def refused(self, fact: str) -> list[str]:
        return [item.reason for item in self.reading.not_used if item.fact == fact]

    def reported(self, fact: str) -> object:
        return next(item.value for item in self.decision.assessments if item.fact == fact)


@lru_cache
def shown(number: str) -> Shown:
    (entry,) = [entry for entry in INDEX if entry["file"].startswith(f"{number}_")]
    at = datetime.fromisoformat(entry["at"])
    reading = read(json.loads((DEMO / entry["file"]).read_text(encoding="utf-8")), RULESET, CODE_MAP, at)
    decision = DECIDER.decide(reading.facts, at, reading.not_used)
    return Shown(reading, decision, Catalogue.load(DEMO / "catalogue.yaml", RULESET).fitting(decision))


# What `shows` of each patient claims, in the order of the index.
CLAIMS: dict[str, Callable[[Shown], bool]] = {
    "01": lambda s: s.codes == ["adult H3 G2"] and s.decision.settled and s.decision.confidence == "measured",
    "02": lambda s: (
        s.codes == ["adult H2 G2", "adult H3 G2"]
        and s.decision.axes["girth_band"].probabilities["G2"] > 0.95
        and s.decision.confidence == "assumed"
        and {"neck_circumference_mm", "neck_height_mm"} <= {asked.fact for asked in s.decision.measure_next}
    ),
    "03": lambda s: s.codes == ["adult H3 G2", "adult H4 G2"] and s.facts["neck_height_mm"] == 74,
    "04": lambda s: (
        s.codes == ["adult H2 G2", "adult H3 G2"] and s.facts["neck_height_fingers"] == 3 and "measure_neck" in s.tasks
    ),
    "05": lambda s: s.codes[0].startswith("infant") and "sizing.child.infant" in s.cautions,
    "06": lambda s: s.codes == ["toddler H1 G1", "toddler H2 G1"],
    "07": lambda s: (
        {"sizing.doubt.wide", "skin.braden.for_adults"} <= s.cautions
        and s.holds == {"sizing.hold.height_outside_line", "sizing.hold.girth_outside_line"}
    ),
    "08": lambda s: (
        s.codes == ["child H1 G1"]
        and {"need.nexus.few_young_children", "need.motion.not_indicated_child"} <= s.cautions
    ),
    "09": lambda s: s.facts["age_years"] < 16 and s.codes == ["adult H4 G2"],
    "10": lambda s: "dangers.open.ct_inconclusive" in s.cautions and "turn_as_one_unit" in s.tasks,
    "11": lambda s: s.codes == [] and s.holds == {"sizing.line.age_unknown"},
    "12": lambda s: s.codes[0].startswith("adolescent") and "age_years" not in s.facts,
    "13": lambda s: (
        s.codes == ["adult H1 G2 flexed"] and {"sizing.contour.flexed", "dangers.spine.stiff"} <= s.cautions
    ),
    "14": lambda s: s.codes == [] and s.holds == {"sizing.hold.severe_flexion"} and "refer_orthotist" in s.tasks,
    "15": lambda s: s.codes == [] and s.holds == {"sizing.hold.fixed_other"},
    "16": lambda s: s.facts["neck_circumference_mm"] == 635 and s.codes == ["adult H1 G4"],
    "17": lambda s: (
        s.codes == ["adult H5 G4"] and len(s.shelf.none_because) == 2 and "sizing.note.very_high" in s.cautions
    ),
    "18": lambda s: (
        s.codes[0].endswith("recumbent")
        and s.facts["collar_hours"] == 36
        and {"skin.extrication.overdue", "dangers.head.pressure"} <= s.cautions
    ),
    "19": lambda s: s.facts["surgery_planned"] is True and {"measure_neck", "remeasure_neck"} <= s.tasks,
    "20": lambda s: (
        {"review.surgery.front_swollen", "sizing.remeasure.dressing"} <= s.cautions and "remeasure_neck" in s.tasks
    ),
    "21": lambda s: (
        {"sizing.doubt.slight_but_wide", "sizing.doubt.look_against_height"} <= s.cautions
        and s.codes == ["adult H4 G3"]
    ),
    "22": lambda s: (
        len(s.refused("neck_circumference_mm")) == 2
        and "neck_circumference_mm" not in s.facts
        and "measure_neck" in s.tasks
    ),
    "23": lambda s: (
        all(
            reason.startswith("stale")
            for fact in ("neck_circumference_mm", "neck_height_mm", "neck_swelling")
            for reason in s.refused(fact) or ["not listed"]
        )
        and "sizing.girth.say_not_known" in s.cautions
    ),
    "24": lambda s: (
        s.facts["neck_circumference_mm"] == 351
        and len(s.refused("neck_circumference_mm")) == 3
        and len(s.refused("neck_height_mm")) == 1
    ),
    "25": lambda s: s.codes == [] and s.holds == {"sizing.hold.distraction"},
    "26": lambda s: s.codes == [] and s.holds == {"sizing.hold.airway"},
    "27": lambda s: s.codes == [] and s.holds == {"sizing.hold.halo"},
    "28": lambda s: s.reported("nexus_result") == "low_risk" and s.reported("canadian_rule_result") == "imaging",
    "29": lambda s: s.reported("nexus_result") == "not_low_risk" and s.reported("canadian_rule_result") == "no_imaging",
    "30": lambda s: "need.motion.penetrating_without_deficit" in s.cautions,
    "31": lambda s: (
        {"need.motion.penetrating_with_deficit", "need.motion.penetrating_with_symptoms"} <= s.cautions
        and s.shelf.none_because == ("stock: High collar (HM-241) would fit, and none is left",)
    ),
    "32": lambda s: (
        {
            "application.position.prone",
            "dangers.airway.vomiting",
            "application.people.agitated",
            "need.motion.board",
            "sizing.girth.say_not_known_by_eye",
        }
        <= s.cautions
    ),
    "33": lambda s: {"dangers.airway.unguarded", "dangers.airway.tube_lost"} <= s.cautions,
    "34": lambda s: (
        {
            "need.doubt.alertness",
            "need.penetrating.both",
            "need.doubt.mechanism",
            "sizing.doubt.bed_rest",
            "sizing.doubt.height_disagreement",
        }
        <= s.cautions
    ),
    "35": lambda s: "sizing.doubt.age_group" in s.cautions,
    "36": lambda s: (
        s.codes == ["adolescent H1 G1"]
        and {
            "sizing.doubt.heavy_but_narrow",
            "sizing.doubt.low_and_narrow",
            "sizing.doubt.measured_twice",
        }
        <= s.cautions
    ),
    "37": lambda s: (
        {
            "dangers.airway.jaw",
            "dangers.lines.neck",
            "dangers.spine.diseased",
            "sizing.note.fused_neck",
            "application.position.late_pregnancy",
        }
        <= s.cautions
    ),
    "38": lambda s: (
        {"skin.extrication.hours_unknown", "skin.overdue.nothing_recorded", "sizing.line.if_adult"} <= s.cautions
    ),
    "39": lambda s: {"skin.damage.stage_1", "skin.overdue.high"} <= s.cautions,
    "40": lambda s: {"skin.back.wrong_for_bed", "skin.damage.stage_2", "skin.open.agitated"} <= s.cautions,
    "41": lambda s: {"skin.damage.deep", "skin.high.prone"} <= s.cautions,
    "42": lambda s: {"skin.damage.before_fitting", "skin.damage.contradiction"} <= s.cautions,
    "43": lambda s: s.leading == {"dangers.airway.blunt_swollen"} and "dangers.open.unexamined" in s.cautions,
    "44": lambda s: "leaves open" in s.refused("age_years")[0] and s.codes == ["adult H3 G2"],
    "45": lambda s: "skin.overdue.standard" in s.cautions and s.facts["last_skin_check_hours"] == 14,
    "46": lambda s: (
        {"fit_check.stop.breathing", "fit_check.stop.neurology_and_airway", "dangers.guard.known_injury_airway"}
        <= s.cautions
    ),
    "47": lambda s: "fit_check.stop.pushed_out" in s.cautions,
    "48": lambda s: {"review.ct.obtunded_negative", "review.mri.planned"} <= s.cautions,
    "49": lambda s: "review.ct.quality_missing" in s.cautions and s.holds == {"sizing.hold.height_too_low"},
    "50": lambda s: {"review.ct.quality_low", "review.ct.negative_with_deficit"} <= s.cautions,
    "51": lambda s: "review.ct.child" in s.cautions and s.facts["age_years"] < 11,
    "52": lambda s: {"review.ct.none", "review.needed.overdue"} <= s.cautions,
    "53": lambda s: (
        {"dangers.guard.known_injury", "dangers.swallowing.failed_at_risk", "review.surgery.front"} <= s.cautions
    ),
    "54": lambda s: {"review.needed.cleared", "review.wear.ended"} <= s.cautions,
    "55": lambda s: (
        {
            "handover.extrication.still_on",
            "handover.skin.damaged",
            "handover.wear.order_missing",
            "handover.follow_up.appointment_missing",
            "handover.teach.falls",
            "handover.helper.none",
        }
        <= s.cautions
    ),
    "56": lambda s: (
        {"need.child.says_no_imaging", "need.both.child_none_signs_present", "need.both.child_none_others_imaging"}
        <= s.cautions
    ),
    "57": lambda s: (
        {"need.child.says_x_ray", "need.both.child_imaging_no_signs", "need.both.child_imaging_others_none"}
        <= s.cautions
    ),
    "58": lambda s: "need.child.excluded_by_study" in s.cautions,
    "59": lambda s: "need.child.says_ct" in s.cautions and s.codes == ["young_child H1 G1"],
    "60": lambda s: s.decision.leading[0].rules == ("need.refuted.rules",) and "decide_collar_need" in s.tasks,
    "61": lambda s: s.decision.leading[0].rules == ("need.refuted.cleared",) and "decide_collar_need" in s.tasks,
    "62": lambda s: (
        s.codes == []
        and s.holds == {"sizing.hold.girth_too_wide"}
        and "sizing.note.very_high" in s.cautions
        and "need.refuted.denied" in s.leading
    ),
    "63": lambda s: (
        s.codes[0] == "adolescent H2 G2" and {"sizing.doubt.wide", "sizing.doubt.age_group_beside"} <= s.cautions
    ),
    "64": lambda s: (
        s.holds == {"sizing.hold.girth_too_narrow"}
        and "sizing.doubt.narrow" in s.cautions
        and "dangers.open.unexamined_home" in s.leading
    ),
    "65": lambda s: (
        s.leading == {"dangers.emergency.drowsy_home", "dangers.emergency.deficit_home", "dangers.new.injury"}
        and "call_emergency_number" in s.tasks
        and not {"inspect_skin", "turn_as_one_unit"} & set(s.tasks)
    ),
    "66": lambda s: (
        "fit_check.stop.neurology_home" in s.cautions and not s.tasks & {"inspect_skin", "review_need", "measure_neck"}
    ),
    "67": lambda s: (
        {"dangers.airway.first_assessment", "dangers.airway.unguarded"} <= s.cautions and "airway_check" in s.tasks
    ),
    "69": lambda s: (
        {
            "skin.damaged.closed_at_home",
            "skin.overdue.closed",
            "dangers.guard.known_injury_home",
            "dangers.airway.vomiting_home",
        }
        <= s.cautions
        and not s.tasks & {"inspect_skin", "wash_under_collar"}
    ),
    "68": lambda s: {"skin.care.withheld", "skin.damaged.closed"} <= s.cautions and "inspect_skin" not in s.tasks,
    "70": lambda s: "dangers.spine.torticollis" in s.cautions and "refer_orthotist" in s.tasks,
    "71": lambda s: s.holds == {"sizing.hold.identity"} and "sizing.doubt.body_against_age" in s.cautions,
    "72": lambda s: (
        {"sizing.doubt.small_adult", "sizing.doubt.body_mass_index", "sizing.doubt.off_body"} <= s.cautions
        and "remeasure_neck" in s.tasks
    ),
    "73": lambda s: s.holds == {"sizing.hold.beyond_standard"} and "remeasure_neck" not in s.tasks,
    "74": lambda s: s.holds == {"sizing.hold.height_too_high"} and "remeasure_neck" in s.tasks,
    "75": lambda s: "dangers.airway.strangulation" in s.cautions and "decide_neck_imaging" in s.tasks,
    "76": lambda s: "need.support.cleared" in s.cautions and "decide_collar_need" in s.tasks,
    "77": lambda s: "sizing.doubt.height_against_weight" in s.cautions,
    "78": lambda s: "sizing.doubt.unusual_child" in s.cautions and s.codes[0].startswith("young_child"),
    "79": lambda s: (
        s.holds == {"sizing.hold.fixed_other"}
        and "sizing.derive.device_chosen" in s.cautions
        and "skin.care.withheld" not in s.cautions
        and {"inspect_skin", "wash_under_collar"} <= s.tasks
    ),
    "80": lambda s: (
        "arrange_community_nursing" in s.tasks
        and {"nothing_by_mouth", "wash_closed"} <= {given.instruction for given in s.decision.instructions}
        and not {"food", "wash_with_helper"} & {given.instruction for given in s.decision.instructions}
    ),
    "81": lambda s: s.leading == {"need.refuted.cleared_worn"} and "decide_collar_need" in s.tasks,
    "82": lambda s: s.leading == {"need.open.restriction"} and "decide_collar_need" in s.tasks,
    "83": lambda s: s.leading == {"need.open.blunt_only"} and "decide_collar_need" in s.tasks,
    "84": lambda s: s.leading == {"need.refuted.penetrating_worn"} and "decide_collar_need" in s.tasks,
    "85": lambda s: (
        s.leading == {"fit_check.stop.moved", "fit_check.stop.neurology", "fit_check.stop.other_line"}
        and "call_clinician" in s.tasks
        and "inspect_skin" not in s.tasks
    ),
    "86": lambda s: "review.surgery.front_swollen_home" in s.cautions and "call_emergency_number" in s.tasks,
    "87": lambda s: "handover.skin.deep" in s.cautions and "tell_clinician" in s.tasks,
}


# Cautions that a patient shows beside what the index says of it.
SHOWN_TOO: dict[str, set[str]] = {
    "38": {"dangers.spine.diseased_pain_worn"},
    "08": {"need.child.says_at_least_x_ray"},
    "10": {
        "need.penetrating.supported",
        "dangers.airway.drowsy_collar",
        "need.injury.contradicted",
        "handover.leaving.guarded",
    },
    "12": {"dangers.spine.forced_in_collar"},
    "16": {"dangers.airway.drowsy_before"},
    "18": {"review.fit.fault", "review.fit.tight_under_pressure"},
    "27": {"dangers.new.halo"},
    "31": {"dangers.airway.penetrating_swollen"},
    "33": {"dangers.airway.tracheostomy_lost", "dangers.airway.prone"},
    "36": {"application.off_as_ordered"},
    "37": {"dangers.spine.negative_ct", "dangers.guard.ordered_and_up"},
    "39": {"need.open.worn"},
    "40": {"application.position.worn_lying", "review.delirium.new"},
    "41": {"review.fit.fault_prone", "dangers.airway.tube_in_doubt", "fit_check.stop.pushed_out_prone"},
    "43": {"fit_check.stop.moved_open", "skin.extrication.waits_overdue"},
    "45": {"review.ct.negative_examine", "dangers.airway.strangulation_later", "review.fit.fault_stays"},
    "47": {"fit_check.stop.breathing_home"},
    "48": {"need.doubt.responsiveness"},
    "50": {"dangers.guard.deficit_changed"},
    "53": {"dangers.guard.tingling_unstable"},
    "58": {"sizing.girth.heavy_child"},
    "54": {"sizing.doubt.outdated"},
    "61": {"dangers.open.cleared_against"},
    "66": {"review.surgery.front_home"},
    "67": {"dangers.airway.vomiting_drowsy", "dangers.circulation.unstable", "need.doubt.responds_less"},
    "68": {"review.mri.halo"},
    "69": {
        "dangers.guard.tingling_home",
        "review.fit.fault_home",
        "dangers.swallowing.risk",
        "dangers.guard.deficit_known",
        "skin.extrication.at_home",
    },
    "70": {"dangers.spine.deformed_injured"},
    "72": {"application.position.weeks_unknown", "sizing.doubt.look_against_index"},
    "73": {"dangers.spine.diseased_pain"},
    "74": {"dangers.open.called_home"},
    "75": {"dangers.airway.jaw_swollen"},
    "77": {"application.off_as_ordered_home"},
    "78": {"review.ct.negative_examine_child"},
    "79": {"dangers.swallowing.risk_passed", "review.fit.fault_device"},
    "80": {"dangers.swallowing.failed", "handover.wear.off_alone"},
}


@pytest.mark.parametrize("number", SHOWN_TOO)
def test_a_patient_shows_these_cautions_too(number: str) -> None:
    assert SHOWN_TOO[number] <= shown(number).cautions


@pytest.mark.parametrize("file", FILES)
def test_a_patient_shows_what_the_index_says(file: str) -> None:
    found = shown(file[:2])
    assert CLAIMS[file[:2]](found), (found.codes, found.cautions, found.holds, found.facts, found.reading.not_used)


def test_the_index_names_every_file_once() -> None:
    assert sorted(FILES) == sorted(path.name for path in DEMO.glob("*.json")) and len(set(FILES)) == len(FILES)
    assert all(entry["shows"].strip() for entry in INDEX)


def _reached(axis: str) -> set[str]:
    return {candidate.size_class.values[axis] for file in FILES for candidate in shown(file[:2]).decision.candidates}


@pytest.mark.parametrize("axis", list(RULESET.axes))
def test_every_value_of_every_axis_is_reached(axis: str) -> None:
    assert _reached(axis) == set(RULESET.axes[axis].values)


def test_every_rule_that_gives_a_caution_is_reached() -> None:
    cautioning = {rule.id for rule in RULESET.rules.values() if rule.then.cautions}
    reached = set().union(*(shown(file[:2]).cautions for file in FILES))
    missing = sorted(cautioning - reached)
    assert not missing, f"no patient of demo_bundles shows {missing}: add one, or the facts to one, and to CLAIMS"


def test_every_reason_to_give_no_size_is_reached() -> None:
    holding = {rule.id for rule in RULESET.rules.values() if rule.then.holds}
    assert holding - set().union(*(shown(file[:2]).holds for file in FILES)) == set()


def test_children_of_at_least_three_ages_are_among_them() -> None:
    ages = {shown(file[:2]).facts.get("age_years", 99) for file in FILES}
    assert len([age for age in ages if age < 18]) >= 3


def test_everything_refused_in_the_demo_is_meant_to_be() -> None:
    refusing = {file[:2] for file in FILES if shown(file[:2]).reading.not_used}
    assert refusing == {"22", "23", "24", "44"}


# --- validity ------------------------------------------------------------------------------------------------------------


def _resources(file: str) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in json.loads((DEMO / file).read_text(encoding="utf-8"))["entry"]]


@pytest.mark.parametrize("file", FILES)
def test_a_bundle_is_valid_r4(file: str) -> None:
    text = (DEMO / file).read_text(encoding="utf-8")
    get_fhir_model_class("Bundle").model_validate_json(text)
    assert list(_resources(file))
    assert [fault for resource in _resources(file) for fault in _faults(resource)] == []


@pytest.mark.parametrize("file", FILES)
def test_references_lead_to_resources_of_the_bundle(file: str) -> None:
    resources = _resources(file)
    names = {f"{resource['resourceType']}/{resource['id']}" for resource in resources}
    assert set(_references(resources)) <= names
    assert len(names) == len(resources)


def test_everybody_is_invented_and_no_file_says_otherwise() -> None:
    assert FILES
    for file in FILES:
        bundle = json.loads((DEMO / file).read_text(encoding="utf-8"))
        assert bundle["meta"]["tag"][0]["code"] == "invented"
        assert all(entry["fullUrl"].startswith("https://records.hollowmere.example/") for entry in bundle["entry"])


def _faults(resource: dict[str, Any]) -> list[Any]:
    """What the two R4 validators find, the library's and the official definitions' (where these hold the type)."""
    official = problems(resource) if resource["resourceType"] in TYPES else []
    return [*fhirkit.validate(resource), *official]


def _references(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["reference"]] if isinstance(value.get("reference"), str) else []
        return own + [found for child in value.values() for found in _references(child)]
    return [found for child in value for found in _references(child)] if isinstance(value, list) else []


# --- hook requests ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("service", "hook"), HOOKS.items())
def test_a_hook_request_is_one_and_its_resources_are_valid(service: str, hook: str) -> None:
    request = json.loads((DEMO / "hooks" / f"{service}.json").read_text(encoding="utf-8"))
    assert request["hook"] == hook
    sent = [value for value in request["prefetch"].values() if value is not None]
    bundles = [value for value in sent if value["resourceType"] == "Bundle"]
    assert [fault for bundle in bundles for fault in fhirkit.validate(bundle)] == []
    assert bundles and all(bundle.get("entry") != [] for bundle in bundles), "R4 allows no empty array"
    prefetched = [entry["resource"] for value in sent for entry in value.get("entry", ())]
    drafts = [entry["resource"] for entry in request["context"].get("draftOrders", {}).get("entry", ())]
    assert [fault for resource in [*prefetched, *drafts] for fault in _faults(resource)] == []
    result = read(request, RULESET, CODE_MAP, datetime.fromisoformat("2026-03-02T10:00:00Z"))
    assert result.patient == f"Patient/{request['context']['patientId']}"
    assert "neck_circumference_mm" in {fact.name for fact in result.facts}


def test_the_order_hooks_hold_an_order_for_a_collar() -> None:
    for service in ("collar-order-select", "collar-order-sign"):
        request = json.loads((DEMO / "hooks" / f"{service}.json").read_text(encoding="utf-8"))
        drafts = [entry["resource"] for entry in request["context"]["draftOrders"]["entry"]]
        assert any(map(CODE_MAP.is_collar_order, drafts))


# --- the hospital's own files ------------------------------------------------------------------------------------------------


def test_the_overlay_changes_what_it_says() -> None:
    changed = load_ruleset(overlays=[DEMO / "site.yaml"])
    assert [(change.kind, change.name) for change in changed.local_changes] == [
        ("parameter", "measure_within_hours"),
        ("parameter", "height_edge_h3_mm"),
        ("switched_off", "sizing.note.facial_hair"),
        ("added", "hollowmere.long_hair"),
    ]
    Catalogue.load(DEMO / "catalogue.yaml", changed)


def test_the_hospitals_own_codes_are_read() -> None:
    own = load_code_map(RULESET, [DEMO / "site_codes.yaml"])
    assert own.units["centimetre"] == "cm"


def test_the_refused_values_are_of_many_kinds() -> None:
    refused = [item for entry in INDEX for item in shown(entry["file"][:2]).reading.not_used]
    assert {"unit", "stale", "contradiction", "implausible"} <= {item.kind for item in refused}


@pytest.mark.parametrize("entry", INDEX, ids=[entry["file"] for entry in INDEX])
def test_no_patient_without_a_recorded_danger_gets_more_than_one_critical_caution(entry: dict[str, Any]) -> None:
    shown_patient = shown(entry["file"][:2])
    dangers = {
        name
        for name, value in shown_patient.facts.items()
        if (danger := RULESET.vocabulary[name].danger) is not None and value in danger.answers
    }
    critical = [caution.text for caution in shown_patient.decision.cautions if caution.severity == "critical"]
    assert dangers or len(critical) <= 1
