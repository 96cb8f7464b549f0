"""``nuque rules``: what each command prints, writes, and ends with."""

import json
import re
import shutil
import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from cds.cli import main
from rules.deciding.decider import Decider
from rules.loading.loader import KNOWLEDGE
from tests.rules.small import FRAME, RULES
from tests.shipped_content import RULESET


@pytest.fixture
def small(tmp_path):
    """A folder with a small ruleset, one case and one claim; ``change`` rewrites a file."""
    folder = tmp_path / "knowledge"
    (folder / "cases").mkdir(parents=True)
    (folder / "claims").mkdir()
    (folder / "frame.yaml").write_text(FRAME)
    (folder / "small.yaml").write_text("rules:" + RULES)
    (folder / "cases" / "one.yaml").write_text(
        "cases:\n  - {name: low, shows: a, source: b, facts: {height_mm: 50, asleep: true}, fires: [small.a], silent: [small.b],\n"
        "     expect: {size: A H, tasks: {look: {every_hours: 4}}}}\n"
    )
    (folder / "claims" / "one.yaml").write_text(
        "claims:\n  - {id: band-rises, says: more is never less, rising: {axis: band, fact: height_mm}}\n"
    )
    return folder


def run(*arguments, code=0):
    result = CliRunner().invoke(main, ["rules", *map(str, arguments)])
    assert result.exit_code == code, result.output
    return result.output


def change(file, old, new):
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))


def test_check(small, tmp_path):
    out = json.loads(run("check", "--knowledge", small, "--json", code=1))
    assert [(item["file"], item["kind"]) for item in out["items"]] == [
        ("frame.yaml", "unused"),
        ("frame.yaml", "unused"),
    ]
    change(small / "frame.yaml", ", fitter: a fitter", "")
    change(small / "frame.yaml", "triggers: {before: before it}", "")
    page = tmp_path / "check.html"
    assert "0 findings in 17 rules." in run("check", "--knowledge", small, "--html", page)
    assert page.read_text().startswith("<!doctype html>")


def test_a_finding_anywhere_in_a_rule_marks_its_square(small):
    (small / "more.yaml").write_text(
        "rules:\n  - {id: more.x, title: x, when: always, because: b, sources: [s],\n"
        "     then: {tasks: {task: look, every_hours: edge_mm}}}\n"
    )
    out = run("check", "--knowledge", small, code=1)
    assert "more.yaml:3: rules.0.then.tasks.0.every_hours" in out
    assert "more: 1 a finding in the rule" in out


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "--html"),
        ("test", "--junit"),
        ("map", "--svg"),
        ("sheet", "--pdf"),
        ("sheet", "--html"),
    ],
)
def test_a_file_that_cannot_be_written_is_named_and_ends_with_2(arguments, tmp_path):
    file = tmp_path / "nowhere" / "file"
    extra = ("--only", "sizing-line") if arguments[0] == "test" else ()
    assert f"{file}: No such file or directory" in run(*arguments, file, *extra, code=2)


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "inf", "1e9"])
def test_a_time_that_the_solver_cannot_keep_is_refused(small, seconds):
    assert "is not from 0.001 to 86400" in run("prove", "--knowledge", small, f"--timeout={seconds}", code=2)


def test_a_map_of_no_cohort_is_refused(tmp_path):
    assert "holds no decisions of a replay" in run("map", "--cohort", tmp_path, code=2)


def test_a_rule_without_source_does_not_load_and_the_check_says_where(small):
    text = (small / "small.yaml").read_text()
    (small / "small.yaml").write_text(text.replace("sources: [s]", "sources: []", 1))
    said = run("check", "--knowledge", small, code=2)
    line = text[: text.index("sources: [s]")].count("\n") + 1
    assert re.search(rf"small\.yaml:{line}: .*sources.*at least 1 item", said), said


def test_test(small, tmp_path):
    junit = tmp_path / "junit.xml"
    out = run("test", "--knowledge", small, "--junit", junit)
    assert "1 of 1 case hold. 0 of 17 rules covered" in out
    assert ET.parse(junit).getroot().get("tests") == "1"
    change(small / "cases" / "one.yaml", "every_hours: 4", "every_hours: 5")
    out = run("test", "--knowledge", small, code=1)
    assert "task look, every_hours: expected 5, actual 4" in out
    assert "small.a: height_mm < 63 (edge_mm + margin_mm)" in out
    out = json.loads(run("test", "--knowledge", small, "--json", code=1))
    assert out["failed"][0]["differences"] == [{"what": "task look, every_hours", "expected": "5", "actual": "4"}]
    assert "no case has 'nothing' in its name" in run("test", "--knowledge", small, "--only", "nothing", code=2)


def test_mutate(small):
    out = json.loads(run("mutate", "--knowledge", small, "--json", code=1))
    assert out["mutants"] > len(out["survivors"]) > 0
    lines = {(item["rule"], item["change"]): item["line"] for item in out["survivors"]}
    assert ("small.a", "band A becomes B") not in lines
    assert lines["small.g", "girth G becomes H"] > 0
    assert "no rule of topic 'other'" in run("mutate", "--knowledge", small, "--topic", "other", code=2)


def test_prove(small, tmp_path):
    out = run("prove", "--knowledge", small)
    assert "14 of 14 properties proved" in out
    change(
        small / "small.yaml",
        "when: {fact: height_mm, at_least: edge_mm - margin_mm}",
        "when: {fact: height_mm, at_least: 90}",
    )
    out = json.loads(run("prove", "--knowledge", small, "--json"))
    assert {item["status"] for item in out["properties"]} == {"proved"}
    offer, warning = (
        "{size: {axis: band, value: A, basis: assumed}}",
        "{caution: {severity: critical, text: Use no collar.}}",
    )
    change(small / "small.yaml", offer, warning)
    page = tmp_path / "proof.html"
    out = run("prove", "--knowledge", small, "--html", page, code=1)
    assert "no-size-against-a-warning, small.heavy" in out
    assert "name: proof-no-size-against-a-warning-small-heavy" in page.read_text()


def test_a_broken_rule_is_caught_by_proof_and_its_patient_by_a_case_from_then_on(tmp_path):
    """The shipped knowledge with one rule made wrong: the widest necks but one are offered the narrowest band."""
    folder = tmp_path / "knowledge"
    shutil.copytree(KNOWLEDGE, folder, ignore=shutil.ignore_patterns("cases"))
    (folder / "cases").mkdir()
    right, wrong = "value: G3, basis: measured", "value: G1, basis: measured"
    change(folder / "sizing.yaml", right, wrong)
    saved = folder / "cases" / "found.yaml"
    out = run("prove", "--knowledge", folder, "--save", saved, code=1)
    assert "girth-rises-with-circumference" in out
    assert "is there already" in run("prove", "--knowledge", folder, "--save", saved, code=2)
    cases = yaml.safe_load(saved.read_text())["cases"]
    (wider,) = (case for case in cases if case["name"] == "proof-girth-rises-with-circumference-girth-band.2")
    assert f"{len(cases)} of {len(cases)} cases hold" in run("test", "--knowledge", folder)
    # Which patient the solver finds, and so which band is right, is its own choice.
    needed = Decider(RULESET).decide(wider["facts"], datetime(2026, 3, 2, tzinfo=UTC)).axes["girth_band"].value
    assert needed != "G1"
    wider["expect"] = {"girth_band": needed}
    del wider["fires"]
    saved.write_text(yaml.safe_dump({"cases": [wider]}))
    failing = run("test", "--knowledge", folder, code=1)
    assert "0 of 1 case hold" in failing and "G1" in failing
    change(folder / "sizing.yaml", wrong, right)
    assert "1 of 1 case hold" in run("test", "--knowledge", folder)


def test_explain(small, tmp_path):
    patient = tmp_path / "patient.json"
    patient.write_text('{"facts": {"height_mm": 66, "asleep": true}}')
    out = run("explain", patient, "--knowledge", small, "--rule", "small.a")
    assert "Why not small.a" in out and "it is 66" in out
    assert "height_mm" in out and "62.9" in out
    data = json.loads(run("explain", "--case", "low", "--knowledge", small, "--json"))
    assert data["size"] == "A H"
    assert "no rule called small.z" in run("explain", patient, "--knowledge", small, "--rule", "small.z", code=2)
    assert "give FILE or --case" in run("explain", "--knowledge", small, code=2)
    patient.write_text('{"height": 66}')
    assert "did you mean height_mm" in run("explain", patient, "--knowledge", small, code=2)
    patient.write_text("{")
    assert "not JSON" in run("explain", patient, "--knowledge", small, code=2)


AT = "2026-03-02T10:00:00Z"


def test_explain_names_the_record_behind_each_comparison():
    bundle = "demo_bundles/24_unit_errors.json"
    out = run("explain", bundle, "--at", AT, "--rule", "sizing.height.measured_h2")
    assert "neck_circumference_mm = 351, recorded in Observation/hm-24-01 at 2026-02-28 09:00 UTC as '351 mm'" in out
    assert "Why not sizing.height.measured_h2" in out and "neck_height_mm is not recorded" in out
    assert "the unit kg does not measure in mm" in out
    data = json.loads(run("explain", bundle, "--at", AT, "--json"))
    recorded = {"reference": "Observation/hm-24-01", "recorded": "2026-02-28T09:00:00+00:00", "original": "351 mm"}
    assert data["records"]["neck_circumference_mm"] == recorded
    assert recorded in [part.get("record") for part in _parts(data["fired"])]
    assert data["nearest_changes"][0] == {
        "fact": "neck_circumference_mm",
        "now": 351,
        "to": 337.9,
        "distance": pytest.approx(0.0146, abs=1e-4),
        "size": "adult H2 G1",
    }


def _parts(fired):
    waiting = [one["condition"] for one in fired]
    while waiting:
        part = waiting.pop()
        yield part
        waiting += part.get("parts", [])


def test_explain_says_of_every_kind_of_input_what_decide_says(tmp_path):
    hook = next(path for path in sorted(Path("demo_bundles/hooks").glob("*.json")))
    facts = tmp_path / "facts.json"
    facts.write_text('{"facts": {"age_years": 40, "neck_height_mm": 50, "neck_circumference_mm": 400}}')
    for file in (hook, facts, "demo_bundles/01_measured_woman.json"):
        explained = json.loads(run("explain", file, "--at", AT, "--json"))
        decided = json.loads(CliRunner().invoke(main, ["decide", str(file), "--at", AT, "--json"]).output)
        assert explained["size"] == decided["size_class"]["code"]
        assert {one["rule"] for one in explained["fired"]} == {one["rule"] for one in decided["trace"]}


def test_compare(small, tmp_path):
    site = tmp_path / "site.yaml"
    site.write_text("site: {name: Invented}\nparameters:\n  edge_mm: {value: 40, because: our stock}\n")
    out = run("compare", "--knowledge", small, "--overlay", site, "--generated", "50", code=1)
    assert "value: 60 -> 40" in out
    assert "case low" in out and "size: A H -> B H" in out
    site.write_text("site: {name: Invented}\nparameters:\n  edge_mm: {value: 60, because: as it is}\n")
    assert "nothing written otherwise; 0 of 51 patients" in run(
        "compare", "--knowledge", small, "--overlay", site, "--generated", "50"
    )
    assert "nothing written otherwise" in run("compare", "--knowledge", small, "--against", small, "--generated", "5")
    assert "give --against FOLDER" in run("compare", "--knowledge", small, code=2)


def test_wrong_knowledge_ends_with_2_and_the_place(small):
    change(small / "small.yaml", "fact: danger", "fact: dangr")
    result = CliRunner().invoke(main, ["rules", "prove", "--knowledge", str(small)])
    assert result.exit_code == 2
    assert "no fact called 'dangr'" in result.output


def test_of_some_cases_the_coverage_is_that_of_the_rules_they_name():
    out = json.loads(run("test", "--only", "handover-leaving-guarded", "--json"))
    assert out["cases"] == 6 and out["rules_not_covered"] == {} and out["comparisons_not_decisive"] == []
    one = json.loads(run("test", "--only", "handover-leaving-guarded-not-4", "--json"))
    assert set(one["rules_not_covered"]) == {"handover.leaving.guarded"}
