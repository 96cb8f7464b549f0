"""The loader: what it builds, and that every error names file, line, rule, key and what was expected."""

from __future__ import annotations

import textwrap

import pytest

from rules.errors import KnowledgeError
from rules.loading.loader import build_ruleset, load_ruleset
from rules.loading.yaml_reader import YamlFile

BASE = """
ruleset: {name: small, version: 1.0.0, title: Small, disclaimer: Clinicians decide.}
facts:
  girth: {type: number, unit: mm, range: [0, 1000], label: girth, meaning: girth, code: girth, stale_after_hours: limit}
  form: {type: code, values: [slim, broad], label: form, meaning: form, code: form}
  lying: {type: boolean, label: lying, meaning: lying, code: lying}
  wide: {type: boolean, label: wide, meaning: wide, code: wide, given: concluded}
  half: {type: number, unit: mm, range: [0, 400], label: half, meaning: half, code: half, given: concluded}
sources:
  study: {kind: published, citation: "Someone, 2001"}
  habit: {kind: common_practice, citation: "Common practice, no source."}
parameters:
  limit: {value: 24, unit: h, meaning: limit, sources: [habit], range: [1, 100]}
  edge: {value: 330, unit: mm, meaning: edge, sources: [habit], confirm: true, range: [100, 900]}
axes:
  band: {title: band, values: [B1, B2], edges: [edge], fact: girth}
roles: {nurse: nurse}
triggers: {move: at each move}
tasks:
  look: {title: Look, instruction: Look at the skin., request: activity, performer: nurse}
"""
RULE = """
rules:
  - id: small.one
    title: One
    when: {fact: girth, at_least: edge}
    then: {size: {axis: band, value: B2, basis: measured}}
    because: It is {edge} mm or more.
    sources: [study]
"""


def build(rules: str = RULE, base: str = BASE, overlay: str | None = None):
    files = [YamlFile("base.yaml", base), YamlFile("small.yaml", textwrap.dedent(rules))]
    return build_ruleset(files, [] if overlay is None else [YamlFile("site.yaml", textwrap.dedent(overlay))])


def problems(**sources: str) -> str:
    with pytest.raises(KnowledgeError) as caught:
        build(**sources)
    return str(caught.value)


def test_a_rule_is_read_with_parameters_worked_in():
    rule = build().rules["small.one"]
    assert rule.because == "It is 330 mm or more."
    assert rule.parameters == ("edge",)
    assert rule.when.value == 330
    assert rule.when.written == "edge"


def test_the_words_of_a_band_come_from_its_edges():
    assert build().axes["band"].words == {"B1": "band under 330 mm", "B2": "band 330 mm or more"}


@pytest.mark.parametrize(
    ("wrong", "right", "expected"),
    [
        ("fact: girth,", "fact: gith,", "small.yaml:5: rules.0.when.fact: rule small.one: no fact called 'gith'"),
        ("at_least: edge", "at_least: egde", "small.yaml:5: rules.0.when.at_least: rule small.one: no numeric parameter called egde"),
        ("at_least: edge", "exceeds: edge", "no comparison of this name; there are: is, is_not"),
        ("{fact: girth, at_least: edge}", "{fact: girth}", "expected a comparison beside fact"),
        ("{fact: girth, at_least: edge}", "{fact: form, at_least: 3}", "form is not a number, so it has no order"),
        ("{fact: girth, at_least: edge}", "{fact: form, is: swan}", "'swan' is not one of the accepted codes for form; accepted: one of slim, broad"),
        ("{fact: girth, at_least: edge}", "{fact: lying, is: yes}", "'yes' is not a yes/no value for lying"),
        ("{fact: girth, at_least: edge}", "{all: []}", "expected a list with at least one condition"),
        ("{fact: girth, at_least: edge}", "sometimes", "expected a condition: always, all, any, none"),
        ("{fact: girth, at_least: edge}", "{known: gith}", "no fact called 'gith'"),
        ("{fact: girth, at_least: edge}", "{all: [{known: girth}], any: []}", "expected nothing beside all"),
        ("{fact: girth, at_least: edge}", "{unless_known_not: girth}", "expected the danger as one comparison"),
        ("{fact: girth, at_least: edge}", "{unless_known_not: {fact: gith, above: 3}}", "no fact called 'gith'"),
        ("{fact: girth, at_least: edge}", "{unless_known_not: {fact: girth}}", "expected a comparison beside fact"),
        ("{fact: girth, at_least: edge}", "{unless_known_not: {fact: girth, above: 3, below: 9}}", "write one unless_known_not for each"),
        ("{fact: girth, at_least: edge}", "{unless_known_not: {fact: girth, above: 3}, all: []}", "expected nothing beside unless_known_not"),
        ("axis: band", "axis: bend", "no size axis called 'bend'; did you mean band?"),
        ("value: B2", "value: B9", "no band called 'B9'; there are: B1, B2"),
        ("basis: measured", "basis: guessed", "small.yaml:6: rules.0.then.size.0.basis"),
        ("sources: [study]", "sources: [studdy]", "no source called 'studdy'"),
        ("sources: [study]", "sources: []", "at least 1 item"),
        ("    title: One\n", "", "rules.0.title: this key is missing"),
        ("    title: One\n", "    titel: One\n", "small.yaml:4: rules.0.titel: no key of this name is expected here; did you mean title?"),
        ("{edge} mm", "{egde} mm", "{egde} is not a parameter"),
        ("id: small.one", "id: big.one", "the id of a rule in this file starts with 'small' and a dot"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {}", "expected at least one effect"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {ask: gith}", "no fact called 'gith'"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {tasks: {task: lok}}", "no task called 'lok'; did you mean look?"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {tasks: {task: look, on: [mve]}}", "no trigger called 'mve'"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {tasks: {task: look, performer: nrse}}", "no role called 'nrse'"),
        (
            "then: {size: {axis: band, value: B2, basis: measured}}",
            "then: {tasks: {task: look, every_hours: 2, times_per_day: 3}}",
            "give every_hours or times_per_day, not both",
        ),
        (
            "then: {size: {axis: band, value: B2, basis: measured}}",
            "then: {tasks: {task: look, times_per_day: 2.5}}",
            "expected a whole number, found 2.5",
        ),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {conclude: {girth: 3}}", "girth is only ever observed"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {conclude: {half: girth / (edge - edge)}}", "divides by zero"),
        ("then: {size: {axis: band, value: B2, basis: measured}}", "then: {conclude: {half: form * 2}}", "form is neither a numeric parameter nor a numeric fact"),
    ],
)  # fmt: skip
def test_an_error_in_a_rule_names_file_line_key_and_what_was_expected(wrong, right, expected):
    assert wrong in RULE
    assert expected in problems(rules=RULE.replace(wrong, right))


@pytest.mark.parametrize(
    ("wrong", "right", "expected"),
    [
        ("given: concluded}\n  half", "given: maybe}\n  half", "base.yaml:7: facts.wide.given"),
        (
            "stale_after_hours: limit",
            "stale_after_hours: limt",
            "facts.girth.stale_after_hours: no parameter called 'limt'",
        ),
        ("values: [slim, broad], ", "", "facts.form.values: expected values for a coded fact"),
        ("edges: [edge]", "edges: []", "expected words for each of the values"),
        ("edges: [edge]", "edges: [edge, edge]", "expected 1 edges for 2 values"),
        ("edges: [edge]", "edges: [egde]", "no parameter called 'egde'"),
        ("performer: nurse", "performer: nrse", "no role called 'nrse'"),
        ("kind: published", "kind: hearsay", "sources.study.kind"),
        ("value: 330", "value: 95", "95 is outside the allowed range 100 to 900"),
        ("triggers:", "trigers:", "no section of this name; expected one of ruleset, facts"),
        ("  lying:", "  form:", "the key 'form' is given twice"),
        ("ruleset: {name: small, version: 1.0.0,", "ruleset: {name: small,", "ruleset.version: this key is missing"),
        ("ruleset: {", "# {", "the section ruleset (name, version, title) is missing"),
    ],
)
def test_an_error_in_another_section_is_as_exact(wrong, right, expected):
    assert wrong in BASE
    assert expected in problems(base=BASE.replace(wrong, right))


def test_every_problem_of_a_rule_is_reported_at_once():
    text = problems(rules=RULE.replace("fact: girth", "fact: gith").replace("[study]", "[studdy]"))
    assert "gith" in text
    assert "studdy" in text


def test_text_that_is_not_yaml_is_refused_with_its_line():
    with pytest.raises(KnowledgeError, match=r"bad\.yaml:2: not valid YAML"):
        YamlFile("bad.yaml", "a: 1\nb: ]\nc: 2")


@pytest.mark.parametrize("word", ["yes", "no", "on", "off", "2026-01-31"])
def test_words_that_older_yaml_turns_into_other_types_stay_words(word):
    assert YamlFile("x.yaml", f"a: {word}").data == {"a": word}


def test_two_rules_of_one_id_are_refused():
    second = RULE.replace("rules:", "", 1)
    assert "rule small.one already stands in small.yaml:3" in problems(rules=RULE + second)


def test_an_empty_folder_is_refused(tmp_path):
    with pytest.raises(KnowledgeError, match=r"no \*\.yaml file here"):
        load_ruleset(tmp_path)


CHAIN = """
rules:
  - id: small.last
    title: Last
    when: {fact: wide, is: true}
    then: {size: {axis: band, value: B2, basis: measured}}
    because: Wide.
    sources: [study]
  - id: small.first
    title: First
    when: {fact: half, above: 100}
    then: {conclude: {wide: true}}
    because: Wide.
    sources: [study]
  - id: small.half
    title: Half
    when: {known: girth}
    then: {conclude: {half: girth / 2}}
    because: Half.
    sources: [study]
"""


def test_rules_are_layered_so_that_conclusions_come_before_their_readers():
    assert [[rule.id for rule in layer] for layer in build(rules=CHAIN).strata] == [
        ["small.half"],
        ["small.first"],
        ["small.last"],
    ]


def test_rules_that_conclude_the_same_fact_share_a_layer_so_that_priority_decides():
    strong = """
  - id: small.strong
    title: Strong
    priority: 5
    when: {fact: half, at_least: 100}
    then: {conclude: {wide: false}}
    because: Strong.
    sources: [study]
"""
    layers = build(rules=CHAIN + strong.lstrip("\n")).strata
    assert [[rule.id for rule in layer] for layer in layers] == [
        ["small.half"],
        ["small.first", "small.strong"],
        ["small.last"],
    ]


def test_a_circle_of_conclusions_is_refused_and_spelled_out():
    circle = CHAIN.replace("{known: girth}", "{fact: wide, is: true}")
    text = problems(rules=circle)
    assert "rules conclude each other in a circle" in text
    assert "small.first -> small.half" in text or "small.half -> small.first" in text


def test_a_rule_that_reads_what_it_concludes_is_refused():
    assert "circle" in problems(rules=CHAIN.replace("{known: girth}", "{unknown: half}"))


OVERLAY = """
site: {name: Invented General}
parameters:
  edge: {value: 350, because: Our stock changes there.}
"""


def test_a_site_changes_a_parameter_and_the_change_is_kept_beside_its_reason():
    ruleset = build(overlay=OVERLAY)
    assert ruleset.rules["small.one"].when.value == 350
    (change,) = ruleset.local_changes
    assert (change.kind, change.name, change.default, change.value) == ("parameter", "edge", 330, 350)
    assert change.because == "Our stock changes there."


def test_a_site_switches_a_rule_off():
    ruleset = build(overlay="site: {name: X}\nswitch_off: [{rule: small.one, because: Not here.}]")
    assert not ruleset.rules
    assert ruleset.local_changes[0].kind == "switched_off"


def test_a_site_adds_a_rule():
    added = RULE.replace("small.one", "site.extra")
    ruleset = build(overlay="site: {name: X}\n" + added)
    assert ruleset.rules["site.extra"].local
    assert ruleset.local_changes[-1].name == "site.extra"


@pytest.mark.parametrize(
    ("overlay", "expected"),
    [
        ("parameters: {}", "site.yaml:1: site: this key is missing"),
        ("site: {name: X}\nparameters: {egde: {value: 1, because: x}}", "no parameter called 'egde'"),
        ("site: {name: X}\nparameters: {edge: {value: 1, because: x}}", "1 is outside the allowed range 100 to 900"),
        (
            "site: {name: X}\nparameters: {edge: {value: wide, because: x}}",
            "expected a number like the default, found 'wide'",
        ),
        ("site: {name: X}\nparameters: {edge: {value: 350}}", "parameters.edge.because: this key is missing"),
        ("site: {name: X}\nswitch_off: [{rule: small.two, because: x}]", "no rule called 'small.two'"),
    ],
)
def test_an_error_in_an_overlay_is_exact(overlay, expected):
    assert expected in problems(overlay=overlay)


def test_the_hash_follows_the_content_and_nothing_else():
    assert build().hash == build().hash
    assert build().hash != build(rules=RULE.replace("It is", "It has")).hash
    assert build().hash != build(overlay=OVERLAY).hash


def test_the_shipped_knowledge_loads_and_every_rule_has_evidence(ruleset):
    assert ruleset.rules
    for rule in ruleset.rules.values():
        assert ruleset.evidence(rule), rule.id


def test_every_default_is_inside_its_own_allowed_range_and_cites_a_source(ruleset):
    assert any(parameter.range is not None for parameter in ruleset.parameters.values())
    for parameter in ruleset.parameters.values():
        assert parameter.sources, parameter.name
        if parameter.range is not None:
            assert parameter.range[0] <= parameter.value <= parameter.range[1], parameter.name
