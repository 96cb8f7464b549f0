"""docs/rule-authors.md: every key of the format is documented there, and its example does what it says."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from cds.cli import main
from rules.deciding.decider import Decider
from rules.loading import schema
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.loading.source_map import SourceMap
from rules.model.facts import FactDefinition
from rules.testing import cases
from rules.testing.cases import load_cases, run_cases
from rules.testing.mutation import mutate
from rules.verification import invariants
from rules.verification.lint import lint
from rules.verification.prover import verify

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "rule-authors.md").read_text(encoding="utf-8")

HEADINGS = {
    schema.HeaderShape: "ruleset",
    FactDefinition: "facts",
    schema.ParameterShape: "parameters",
    schema.TopicShape: "topics",
    schema.SourceShape: "sources",
    schema.AxisShape: "axes",
    schema.EstimateShape: "axes.estimate",
    schema.TaskShape: "tasks",
    schema.HandShape: "hands",
    schema.RuleShape: "rules",
    schema.EffectsShape: "then",
    schema.SizeShape: "then.size",
    schema.HoldShape: "then.hold",
    schema.CautionShape: "then.caution",
    schema.TimingShape: "then.tasks",
    schema.TaskCallShape: "then.tasks",
    schema.CorrectShape: "then.correct",
    schema.StepShape: "then.correct.step",
    schema.LeafletShape: "instructions",
    schema.InstructionShape: "instructions.texts",
    schema.OverlayShape: "A site's overlay",
    schema.ParameterChange: "overlay.parameters",
    schema.SwitchOff: "overlay.switch_off",
    cases.CaseShape: "cases",
    cases.ExpectShape: "cases.expect",
    cases.TaskExpectation: "cases.expect.tasks",
    invariants.ClaimShape: "claims",
    invariants.RisingShape: "claims.rising",
    invariants.NeverSizedShape: "claims.never_sized",
    invariants.NeverSlowerShape: "claims.never_slower",
    invariants.StaysWithheldShape: "claims.stays_withheld",
    invariants.RiskShape: "claims.never_slower.risks",
}


def documented(heading: str) -> set[str]:
    """The keys in the table under ``heading``."""
    section = re.search(rf"^##+ {re.escape(heading)}$(.*?)(?=^##|\Z)", PAGE, re.M | re.S)
    assert section is not None, f"no heading {heading!r}"
    return set(re.findall(r"^\| `(\w+)` \|", section[1], re.M))


def subclasses(shape: type) -> set[type]:
    return {below for child in shape.__subclasses__() for below in {child, *subclasses(child)}}


def test_every_shape_of_the_format_has_its_place():
    # The service builds its own file formats on the same base; they are documented elsewhere.
    ours = {shape for shape in subclasses(schema.Schema) if shape.__module__.startswith("rules.")}
    assert ours | {FactDefinition} == set(HEADINGS)


@pytest.mark.parametrize("shape", HEADINGS, ids=lambda shape: shape.__name__)
def test_every_key_is_documented_and_no_other(shape):
    found = documented(HEADINGS[shape])
    keys = set(shape.model_fields)
    assert keys <= found
    if shape is not schema.TimingShape:
        assert found <= keys


def test_every_comparison_and_condition_word_is_documented():
    from rules.model.conditions import NEGATED

    for word in (*NEGATED, "all", "any", "none", "known", "unknown", "always"):
        assert f"`{word}`" in PAGE


def test_every_command_is_listed():
    group = main.get_command(None, "rules")
    commands = [name for name in group.list_commands(None) if f"`nuque rules {name}`" in PAGE]
    assert {"check", "test", "mutate", "prove", "explain", "compare"} <= set(commands)
    assert CliRunner().invoke(main, ["rules", "--help"]).exit_code == 0


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    """The shipped content with the two files of the example."""
    folder = tmp_path_factory.mktemp("authors") / "knowledge"
    shutil.copytree(KNOWLEDGE, folder)
    for block in re.findall(r"^   ```yaml\n(.*?)^   ```$", PAGE, re.M | re.S):
        text = re.sub(r"^   ", "", block, flags=re.M)
        name = re.search(r"^# rules/knowledge/(\S+)$", text, re.M)[1]
        assert yaml.safe_load(text)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_the_example_loads_and_its_cases_hold(example):
    ruleset = load_ruleset(example)
    mine = [case for case in load_cases(ruleset, example / "cases") if case.name.startswith("example-")]
    assert len(mine) == 3
    for result in run_cases(Decider(ruleset), mine):
        assert result.passed, result.describe()


def test_the_example_adds_no_finding_and_no_mutant_survives(example):
    ruleset, written = load_ruleset(example), SourceMap.read(example)
    assert [str(found) for found in lint(ruleset, written) if "example" in str(found)] == []
    mine = [case for case in load_cases(ruleset, example / "cases") if case.name.startswith("example-")]
    report = mutate(ruleset, mine, written, "example")
    assert report.total > 5
    assert [mutant.what for mutant in report.survivors] == []


def test_the_example_breaks_no_proof(example):
    assert {verdict.status for verdict in verify(load_ruleset(example))} == {"proved"}
