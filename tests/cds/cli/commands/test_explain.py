"""``nuque explain``: one rule in full, and those that a beginning or a word picks."""

from __future__ import annotations

from click.testing import CliRunner, Result

from cds.cli import main
from tests.shipped_content import RULESET


def explained(*words: str) -> Result:
    return CliRunner().invoke(main, ["explain", *words])


def test_one_rule_is_said_in_full() -> None:
    done = explained("sizing.girth.measured_g4")
    assert done.exit_code == 0 and done.output.startswith("sizing.girth.measured_g4: ") and "Because" in done.output


def test_the_beginning_of_an_id_lists_id_and_title_one_a_line() -> None:
    done = explained("sizing")
    sizing = [rule for rule in RULESET.rules.values() if rule.id.startswith("sizing")]
    assert done.exit_code == 0 and len(sizing) > 100
    assert sorted(done.output.splitlines()) == sorted(f"{rule.id}: {rule.title}" for rule in sizing)


def test_words_pick_the_rules_that_hold_each_of_them() -> None:
    assert "sizing.hold.halo: No collar over a halo" in explained("halo").output.splitlines()
    assert explained("Collar", "over", "HALO").output.splitlines() == ["sizing.hold.halo: No collar over a halo"]


def test_what_no_rule_holds_is_refused_with_a_way_on_that_works() -> None:
    done = explained("nowhere")
    assert done.exit_code == 2 and "`nuque explain sizing` lists those of a topic" in done.output
