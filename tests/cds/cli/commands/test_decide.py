"""``nuque decide``: the three forms of input, the two of output, and what it says of input that it cannot use."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cds.cli import main

DEMO = Path("demo_bundles")
AT = "2026-03-02T10:00:00+0000"


def run(*words: str, given: str | None = None) -> Result:
    return CliRunner().invoke(main, list(words), input=given)


def decided(*words: str, given: str | None = None) -> dict:
    done = run("decide", *words, "--json", given=given)
    assert done.exit_code == 0, done.output
    return json.loads(done.output)


FACTS = {"age_years": 40, "neck_height_mm": 67, "neck_circumference_mm": 400}


@pytest.mark.parametrize("form", [FACTS, {"facts": FACTS}, {"facts": FACTS, "at": "2026-01-31T10:00:00Z"}])
def test_plain_facts(form):
    assert decided("-", given=json.dumps(form))["size_class"]["code"] == "adult H3 G2"


def test_plain_facts_bring_their_own_moment_and_the_option_stands_above_it():
    given = json.dumps({"facts": FACTS, "at": "2026-01-31T10:00:00Z"})
    assert decided("-", given=given)["at"] == "2026-01-31T10:00:00Z"
    assert decided("-", "--at", AT, given=given)["at"] == "2026-03-02T10:00:00Z"


@pytest.mark.parametrize(
    "written",
    [
        "2026-03-02T10:00:00+00:00",
        "2026-03-02T10:00:00Z",
        "2026-03-02T10:00Z",
        "2026-03-02T11:00+01:00",
        "20260302T1000Z",
    ],
)
def test_a_moment_as_iso_8601_writes_it(written):
    said = decided("-", "--at", written, given=json.dumps(FACTS))["at"]
    assert datetime.fromisoformat(said) == datetime(2026, 3, 2, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("written", "why"),
    [
        ("2026-03-02", "'2026-03-02' has no time or no time zone; expected one such as 2026-01-31T10:00Z"),
        ("2026-03-02T10:00", "'2026-03-02T10:00' has no time or no time zone"),
        ("yesterday", "'yesterday' is not a moment; expected one such as 2026-01-31T10:00Z"),
        ("2026-02-30T10:00Z", "'2026-02-30T10:00Z' is not a moment"),
    ],
)
def test_what_is_no_moment_says_what_one_looks_like(written, why):
    answer = CliRunner().invoke(main, ["decide", "-", "--at", written], input=json.dumps(FACTS))
    assert answer.exit_code == 2 and "--at" in answer.output and why in " ".join(answer.output.split())


def test_a_bundle():
    decision = decided(str(DEMO / "01_measured_woman.json"), "--at", AT)
    assert decision["size_class"]["code"] == "adult H3 G2"
    assert {fact["reference"] for fact in decision["facts"] if fact["name"] == "neck_height_mm"}


@pytest.mark.parametrize("request_file", sorted((DEMO / "hooks").glob("*.json")), ids=lambda path: path.stem)
def test_a_hook_request(request_file):
    assert decided(str(request_file), "--at", AT)["facts"]


def test_a_bundle_of_5000_resources():
    bundle = json.loads((DEMO / "01_measured_woman.json").read_text())
    (old,) = [e["resource"] for e in bundle["entry"] if "neck-height" in json.dumps(e["resource"].get("code", ""))][:1]
    more = 5000 - len(bundle["entry"])
    bundle["entry"] += [
        {"resource": {**old, "id": f"old-{i}", "effectiveDateTime": "2026-02-27T08:00:00Z"}} for i in range(more)
    ]
    decision = decided("-", "--at", AT, given=json.dumps(bundle))
    assert len(bundle["entry"]) == 5000
    assert decision["size_class"]["code"] == "adult H3 G2"


def test_the_text_names_the_size_how_sure_it_is_and_no_rule():
    text = run("decide", "-", given=json.dumps(FACTS)).output
    assert "adult H3 G2: adult line, height 60 to under 75 mm" in text
    assert "Height and circumference measured; head position and bed rest not recorded" in text
    assert "sizing." not in text


def test_the_first_size_says_how_many_have_this_girth():
    body = {"age_years": 45, "sex": "male", "height_cm": 178, "weight_kg": 90, "neck_height_mm": 66}
    first, second = run("decide", "-", given=json.dumps(body)).output.split("else ")[:2]
    # 94 of 100: worked out from the whole survey (Gordon et al., NATICK/TR-15/007, 2014).
    assert "about 94 of 100 such people have this circumference" in " ".join(first.split())
    assert "about 6 of 100 such people have this circumference" in " ".join(second.split())


def test_other_sizes_wait_behind_an_emergency():
    body = {"age_years": 40, "collar_in_place": True}
    calm = run("decide", "-", given=json.dumps(body)).output
    urgent = run("decide", "-", given=json.dumps(body | {"new_neurological_sign": True})).output
    assert "else adult" in calm and "else adult" not in urgent and "adult H2 G1" in urgent
    assert "adult H3 G2" in run("decide", "--why", "-", given=json.dumps(body | {"new_neurological_sign": True})).output


def test_an_estimate_for_another_age_is_said_on_the_first_screen():
    body = {"age_years": 70, "sex": "female", "height_cm": 160, "weight_kg": 60}
    text = " ".join(run("decide", "-", given=json.dumps(body)).output.split())
    assert "The circumference is estimated from people of 17 to 58 years" in text


@pytest.mark.parametrize("columns", ["60", "80", "200"])
def test_what_is_due_now_stands_first_and_each_part_in_the_order_of_doing(columns, monkeypatch):
    monkeypatch.setenv("COLUMNS", columns)
    body = FACTS | {"collar_in_place": True, "collar_kind": "long_term", "setting": "ward", "bed_rest": True}
    body |= {
        "anterior_neck_surgery": True,
        "surgery_done": True,
        "skin_breakdown": "chin",
        "skin_damage_grade": "stage_3",
    }
    tasks = decided("-", given=json.dumps(body))["tasks"]
    shown = run("decide", "-", given=json.dumps(body)).output.split("Tasks\n")[1].splitlines()
    titles = [line.split(" (")[0].strip() for line in shown if line.startswith("    ") and " (" in line]
    everything = [task["title"] for task in tasks]
    pressing = [task["title"] for task in tasks if task["timing"].get("within_hours") == 0]
    hourly = [task["title"] for task in tasks if (task["timing"].get("every_hours") or 24) <= 1]
    first = [title for title in everything if title in {*pressing, *hourly}]
    assert len(pressing) >= 3 and set(pressing) <= set(titles) and len(titles) < len(everything)
    waiting = [title for title in everything if title in titles and title not in first]
    assert titles == [*first, *waiting]


def test_the_reasons_name_size_rules_and_sources():
    text = run("decide", "-", "--why", given=json.dumps(FACTS)).output
    assert "adult H3 G2" in text
    assert "sizing.height.measured_h3 [practice-height" in text
    assert "[practice-height] Common practice, no source." in text


def test_the_full_text_adds_instructions_and_comparisons():
    brief, full = (run("decide", "-", *more, given=json.dumps(FACTS)).output for more in (["--why"], ["--full"]))
    assert "neck height >= 57" not in brief
    assert "neck height >= 57" in full


def test_items_on_the_shelf_are_named():
    catalogue = str(DEMO / "catalogue.yaml")
    assert decided("-", "--catalogue", catalogue, given=json.dumps(FACTS))["stock"]["items"]


def test_a_site_overlay_is_used_and_named():
    overlay = str(DEMO / "site.yaml")
    changes = decided("-", "--overlay", overlay, given=json.dumps(FACTS))["local_changes"]
    assert {change["kind"] for change in changes} == {"parameter", "switched_off", "added"}


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("{", "standard input: not JSON"),
        ('{"age_years": 40, "age_years": 4}', "given twice"),
        ("3", "expected an object with facts, a FHIR resource or Bundle, or a CDS Hooks request"),
        ("", "the file is empty; expected facts, FHIR or a CDS Hooks request"),
        ("[1, 2]", "item 0: a list is taken as FHIR resources, and this item is not an object"),
        ('[{"resourceType": "Patient"}, "x"]', "item 1: a list is taken as FHIR resources"),
        ('{"facts": 3}', "facts: expected an object"),
        (
            '{"facts": {"age_years": 40}, "neck_height_mm": 50, "att": 1}',
            "att, neck_height_mm: beside 'facts' only 'at'",
        ),
        ('{"facts": {}, "at": "2026-02-30T10:00:00Z"}', "at: '2026-02-30T10:00:00Z' is not a moment with time zone"),
        ('{"facts": {}, "at": "2026-01-31T10:00:00"}', "is not a moment with time zone"),
        (
            '{"neck_circumference_mm": 5}',
            "neck_circumference_mm = 5: implausible in mm: perhaps 5 inches (127 mm); check the unit",
        ),
        (
            '{"neck_height_fingers": 3.3}',
            "neck_height_fingers = 3.3: not a whole or half number; accepted: a whole or half number from 0.5 to 10",
        ),
        ('{"neck_girth": 400}', "neck_girth = 400: no fact of this name"),
    ],
)
def test_bad_input_ends_with_code_2_and_says_what_and_where(given, expected):
    done = run("decide", "-", given=given)
    assert done.exit_code == 2
    assert expected in done.stderr
    assert "Traceback" not in done.output


def test_a_file_that_is_not_there_is_named():
    done = run("decide", "nowhere.json")
    assert done.exit_code == 2
    assert "nowhere.json" in done.stderr


def test_one_screen_says_all_that_a_collar_waits_for_and_whether_at_all_first(monkeypatch):
    monkeypatch.setenv("COLUMNS", "110")
    shot = {**FACTS, "penetrating_injury": True, "glasgow_coma_score": 6, "airway_threat": False}
    said = " ".join(run("decide", "-", given=json.dumps(shot)).output.split())
    assert (
        "Put the collar on (person trained to fit collars, 3 people): once the clinician decides and the airway" in said
    )


EMPTY_BUNDLE = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": {"resourceType": "Patient"}}]}


@pytest.mark.parametrize("form", [[], ["--why"], ["--full"]])
@pytest.mark.parametrize("given", [{}, {"facts": {}}, EMPTY_BUNDLE])
def test_where_nothing_is_known_that_is_the_first_thing_said(given, form):
    first = run("decide", "-", *form, given=json.dumps(given)).output.splitlines()[1]
    assert first.startswith("  Nothing that the rules read was found")
    known = run("decide", "-", *form, given=json.dumps({"age_years": 40})).output
    assert "Nothing that the rules read" not in known


def test_bed_rest_is_estimated_by_nobody():
    said = run("decide", "-", given=json.dumps({**FACTS, "mobility": "walking"})).output
    assert "bed rest taken from other records" in said and "estimated" not in said


@pytest.mark.parametrize(
    ("option", "file", "hint"),
    [
        ("--overlay", "catalogue.yaml", "this is a catalogue of items, no overlay: --catalogue takes it"),
        ("--catalogue", "site.yaml", "this is an overlay, no catalogue of items: --overlay takes it"),
    ],
)
def test_a_file_of_the_other_kind_is_told_by_its_option(option, file, hint):
    done = run("decide", "-", option, str(DEMO / file), given="{}")
    assert (done.exit_code, done.output) == (2, f"main: {DEMO / file}: {hint}\n")


def test_a_name_that_no_fact_has_is_said_once_and_each_line_says_who_speaks():
    done = run("decide", "-", given=json.dumps({"age_yeers": 3, "age_years": 130}))
    assert done.output.splitlines() == [
        "main: age_yeers = 3: no fact of this name; did you mean age_years?",
        "main: age_years = 130: implausible; accepted: a number from 0 to 120 years",
    ]


def test_a_patient_without_an_id_is_named_without_the_place_in_the_file():
    person = {"resourceType": "Patient", "birthDate": "1980-01-01", "name": [{"family": "Holm"}]}
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": person}]}
    assert run("decide", "-", given=json.dumps(bundle)).output.splitlines()[0] == "Holm"
    assert run("decide", "-", given=json.dumps(person)).output.splitlines()[0] == "Holm"
    bundle["entry"][0]["resource"]["id"] = "p1"
    assert run("decide", "-", given=json.dumps(bundle)).output.splitlines()[0] == "Holm (Patient/p1)"


@pytest.mark.parametrize("form", [[], ["--why"]])
def test_two_reasons_that_begin_otherwise_and_go_on_alike_are_said_as_one(form):
    said = " ".join(run("decide", str(DEMO / "07_young_child_wide.json"), "--at", AT, *form).output.split())
    assert "Higher and wider than this child's line reaches" in said
    assert said.count("line reaches") == 1
