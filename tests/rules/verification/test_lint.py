"""Each kind of finding, on a small ruleset that is wrong in that one way, with its file and line."""

import pytest

from rules.loading.loader import build_ruleset
from rules.loading.source_map import SourceMap
from rules.loading.yaml_reader import YamlFile
from rules.verification.lint import lint
from rules.verification.unit_check import UnitMismatch, check
from tests.rules.small import FRAME, small_source
from tests.shipped_content import RULESET

USED = """
- {id: small.used, title: used, when: {fact: girth_mm, at_least: 800}, because: b, sources: [s],
   then: {tasks: {task: look, performer: fitter, on: [before]}}}
"""


def findings(adding="", frame=FRAME):
    files = [YamlFile("frame.yaml", frame), small_source(adding=USED + adding)]
    return [str(finding) for finding in lint(build_ruleset(files), SourceMap(files))]


def rule(when="always", then="{tasks: {task: look}}", title="x"):
    return f"- {{id: small.x, title: {title}, when: {when}, because: b, sources: [s], then: {then}}}\n"


def test_a_danger_that_ends_where_nobody_looks_again():
    asleep = "asleep: {type: boolean, label: asleep, meaning: asleep, code: asleep"
    assert asleep + "}" in FRAME
    aging = FRAME.replace(asleep, asleep + ", danger: {name: sleep, answers: [true]}, stale_after_hours: 12")
    found = [text for text in findings(frame=aging) if "lapsing danger" in text]
    assert len(found) == 1 and "asleep: the danger True grows stale" in found[0]
    kept = aging.replace("stale_after_hours: 12", "stale_after_hours: 12, lasting: {answers: [true], hours: 100}")
    assert not any("lapsing danger" in text for text in findings(frame=kept))


def test_a_danger_whose_absence_is_believed_for_good():
    never = FRAME.replace("code: asleep", "code: asleep, danger: {name: sleep, answers: [true]}")
    assert never != FRAME
    found = [text for text in findings(frame=never) if "lasting denial" in text]
    assert len(found) == 1 and "asleep: that there is no danger is believed for good" in found[0]
    aging = never.replace("code: asleep,", "code: asleep, stale_after_hours: 12, lasting: {answers: [true]},")
    assert not any("lasting denial" in text or "lapsing danger" in text for text in findings(frame=aging))


def test_nothing_is_found_where_nothing_is_wrong():
    assert findings() == []


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("  danger:", "  idle: {type: boolean, label: i, meaning: i, code: i}\n  danger:",
         "frame.yaml:11: facts.idle: unused: no rule reads this fact"),
        ("sources:\n", "  idle_mm: {value: 1, unit: mm, meaning: i, sources: [s]}\nsources:\n",
         "frame.yaml:21: parameters.idle_mm: unused: no rule, axis, fact or leaflet uses this parameter"),
        ("axes:\n", "  idle: {kind: published, citation: c}\naxes:\n",
         "frame.yaml:23: sources.idle: unused: no rule or parameter rests on this source"),
        ("roles:", "  idle: {title: t, instruction: i, request: order, performer: nurse}\nroles:",
         "frame.yaml:28: tasks.idle: unused: no rule asks for this task"),
        ("roles: {", "roles: {idle: nobody, ", "frame.yaml:28: roles.idle: unused: nobody of this role is asked for"),
        ("texts: {", "texts: {idle: {title: t, lines: [l]}, ",
         "frame.yaml:31: instructions.texts.idle: unused: no rule hands this out"),
        ("triggers: {", "triggers: {idle: never, ", "frame.yaml:29: triggers.idle: unused: no task is due on this"),
    ],
)  # fmt: skip
def test_a_name_that_nothing_uses(old, new, expected):
    assert findings(frame=FRAME.replace(old, new, 1)) == [expected]


@pytest.mark.parametrize(
    ("adding", "expected"),
    [
        (rule("{all: [{fact: height_mm, above: 90}, {fact: height_mm, below: 80}]}"),
         "unreachable: rule small.x fires for no plausible patient; it could without: height_mm > 90 or height_mm < 80"),
        (rule("{fact: height_mm, above: 300}"),
         "threshold: rule small.x: height_mm > 300 compares with a value that is implausible"),
        (rule("{fact: height_mm, at_least: 5}"),
         "threshold: rule small.x: height_mm >= 5 is true of every plausible value"),
        (rule("{fact: height_mm, below: 5}"),
         "threshold: rule small.x: height_mm < 5 is false of every plausible value"),
        (rule("{fact: score, is: 7.5}"),
         "threshold: rule small.x: score is 7.5 compares with a value that is not a whole number"),
        (rule("{fact: length_cm, above: edge_mm}"),
         "units: length_cm above: edge_mm is in mm, but cm is wanted; the units differ by a factor of 0.1"),
        (rule("{fact: weight_kg, above: edge_mm}"), "units: weight_kg above: edge_mm is in mm, but kg is wanted"),
        (rule("{fact: score, above: half_finger}"),
         "units: score above: half_finger is in {finger}, but {score} is wanted"),
        (rule("{known: weight_kg}", "{conclude: {index: weight_kg / length_cm}}"),
         "units: conclusion index: weight_kg / length_cm is in kg / cm"),
        (rule("{known: weight_kg}", "{conclude: {low_mm: edge_mm + weight_kg}}"),
         "edge_mm (mm) and weight_kg (kg) are joined by +"),
        (rule("{fact: girth_mm, above: 700}", "{tasks: {task: look, every_hours: edge_mm}}"),
         "units: task look, every_hours: edge_mm is in mm, but h is wanted"),
        (rule("{fact: girth_mm, above: 700}", title="USED"),
         "text: rule small.x has the title of small.used (small.yaml:"),
        (rule("{fact: girth_mm, above: 700}", '{caution: {severity: info, text: "Danger: put no collar on."}}'),
         "text: the caution of small.x says at severity info what small.danger says at severity critical (small.yaml:"),
        (rule("{fact: girth_mm, above: 700}", '{caution: {severity: info, text: "Danger: put no collar on!!"}}'),
         "text: the caution of small.x says nearly what small.danger says"),
    ],
)  # fmt: skip
def test_a_rule_that_is_not_right(adding, expected):
    frame = FRAME.replace(
        "sources:\n", '  half_finger: {value: 7, unit: "{finger}", meaning: i, sources: [s]}\nsources:\n', 1
    )
    used = rule("{fact: fingers, above: half_finger}", title="finger").replace("small.x", "small.finger")
    found = [finding for finding in findings(used + adding, frame) if "small.yaml:" in finding]
    assert any(expected in finding for finding in found), found
    line = next(int(finding.split(":")[1]) for finding in found if expected in finding)
    assert line > small_source(adding=USED + used).place("rules", len(small_source(adding=USED).data["rules"])).line


CRITICAL = '{caution: {severity: critical, text: "Call for airway help first."}}'


@pytest.mark.parametrize(
    ("when", "fact"),
    [
        ("{all: [{fact: score, at_most: 8}, {fact: asleep, is: false}]}", "asleep"),
        ("{all: [{fact: score, at_most: 8}, {fact: asleep, is_not: true}]}", "asleep"),
        ("{all: [{fact: score, at_most: 8}, {none: [{fact: asleep, is: true}]}]}", "asleep"),
        ("{fact: small, is: true}", "asleep"),  # through what another rule concludes
    ],
)
def test_a_critical_caution_that_waits_for_a_recorded_no(when, fact):
    concluding = (
        "- {id: small.awake, title: awake, when: {fact: asleep, is: false}, because: b, sources: [s],"
        " then: {conclude: {small: true}}}\n"
    )
    found = [text for text in findings(concluding + rule(when, CRITICAL)) if "recorded no" in text]
    assert len(found) == 1 and f"small.x waits for a recorded no of {fact}" in found[0]


@pytest.mark.parametrize(
    "when",
    [
        "{all: [{fact: score, at_most: 8}, {unless_known_not: {fact: asleep, is: false}}]}",
        "{all: [{fact: score, at_most: 8}, {any: [{unknown: asleep}, {fact: asleep, is: false}]}]}",
        "{all: [{fact: score, at_most: 8}, {fact: asleep, is: true}]}",
    ],
)
def test_a_critical_caution_that_waits_for_no_record_or_for_a_yes(when):
    assert findings(rule(when, CRITICAL)) == []


def test_a_no_that_is_itself_the_danger_may_be_waited_for():
    frame = FRAME.replace("asleep, meaning", "asleep, danger: {name: sleep, answers: [false]}, meaning")
    frame = frame.replace("code: asleep", "code: asleep, stale_after_hours: 12, lasting: {answers: [false]}")
    assert findings(rule("{fact: asleep, is: false}", CRITICAL), frame) == []


UNITS = {
    "weight_kg": "kg",
    "height_cm": "cm",
    "edge_mm": "mm",
    "fingers": "{finger}",
    "width_mm": "mm",
    "hours": "h",
    "days": "d",
}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("weight_kg / (height_cm / 100) / (height_cm / 100)", "kg/m2"),
        ("edge_mm - 3", "mm"),
        ("1.05 * edge_mm", "mm"),
        ("(fingers - 0.5) * width_mm", "mm"),
        ("fingers * width_mm + edge_mm", "mm"),
        ("height_cm * 10", "mm"),
        ("hours / 24", "d"),
        ("24 * days", "h"),
        (7, "mm"),
        ("edge_mm / width_mm", None),
    ],
)
def test_units_that_agree(text, wanted):
    check(text, UNITS.__getitem__, wanted)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("weight_kg / height_cm / height_cm", "kg/m2"),
        ("height_cm * 100", "mm"),
        ("height_cm + edge_mm", "cm"),
        ("hours", "d"),
        ("edge_mm * width_mm", "mm"),
        ("edge_mm / width_mm", "mm"),
        ("fingers", "{score}"),
        ("edge_mm", "no such unit"),
    ],
)
def test_units_that_do_not(text, wanted):
    with pytest.raises(UnitMismatch):
        check(text, UNITS.__getitem__, wanted)


def test_the_shipped_knowledge_is_in_order():
    assert RULESET.rules
    assert [str(finding) for finding in lint(RULESET, SourceMap.read())] == []
