"""What was written otherwise, in words, and whose decision changes, by kind."""

from rules.testing.generators import Generator
from rules.testing.ruleset_diff import Comparer, written_changes
from tests.rules.small import FRAME, small_ruleset

OLD = small_ruleset()


def words(new):
    return {(change.section, change.name, change.how): change.words for change in written_changes(OLD, new)}


def change(new, facts):
    found = Comparer(OLD, new).change("p", facts)
    return None if found is None else (found.kinds, found.words)


def test_nothing_differs_from_itself():
    assert written_changes(OLD, small_ruleset()) == ()
    patients = enumerate(Generator(OLD, seed=3).patients(50))
    assert list(Comparer(OLD, small_ruleset()).changes((str(n), facts) for n, facts in patients)) == []


def test_a_parameter_shows_itself_and_every_rule_that_it_moves():
    found = words(small_ruleset(frame=FRAME.replace("edge_mm: {value: 60", "edge_mm: {value: 66")))
    assert found["parameter", "edge_mm", "changed"] == ("value: 60 -> 66",)
    assert found["rule", "small.a", "changed"] == (
        "when height_mm < 63 (edge_mm + margin_mm) -> height_mm < 69 (edge_mm + margin_mm)",
    )
    assert ("rule", "small.g", "changed") not in found


def test_a_rule_added_removed_or_changed():
    def looking(hours):
        return small_ruleset(
            adding=rule("{fact: danger, is: true}", f"{{tasks: {{task: look, every_hours: {hours}}}}}")
        )

    without, with_three, with_five = small_ruleset(), looking(3), looking(5)
    (added,) = written_changes(without, with_three)
    assert (added.name, added.how) == ("small.x", "added")
    assert added.words == ("x", "when danger is true", "then task, look: every 3 hours")
    (removed,) = written_changes(with_three, without)
    assert removed.how == "removed"
    (changed,) = written_changes(with_three, with_five)
    assert changed.words == ("no longer: task, look: every 3 hours", "new: task, look: every 5 hours")


def test_other_sections_are_compared_too():
    frame = (
        FRAME.replace("label: danger", "label: peril")
        .replace("citation: a local default", "citation: another")
        .replace("instruction: Look at the skin.", "instruction: Look well.")
        .replace("title: band,", "title: bands,")
    )
    found = words(small_ruleset(frame=frame))
    assert found["fact", "danger", "changed"] == ("label: danger -> peril",)
    assert found["source", "s", "changed"] == ("citation: a local default -> another",)
    assert found["task", "look", "changed"] == ("instruction: Look at the skin. -> Look well.",)
    assert found["axis", "band", "changed"] == ("title: band -> bands",)


def rule(when, then, extra=""):
    return f"- {{id: small.x, title: x, {extra} when: {when}, because: b, sources: [s], then: {then}}}"


def test_kinds_of_change():
    moved = small_ruleset(frame=FRAME.replace("edge_mm: {value: 60", "edge_mm: {value: 70"))
    assert change(moved, {"height_mm": 64.0, "girth_mm": 300.0}) == (("size",), ("size: B G -> A G",))
    assert change(moved, {"height_mm": 20.0}) is None
    margin = small_ruleset(frame=FRAME.replace("margin_mm: {value: 3", "margin_mm: {value: 1"))
    assert change(margin, {"height_mm": 58.0}) == (("sizes to try",), ("sizes to try: A H, B H -> A H",))
    held = small_ruleset(adding=rule("{fact: asleep, is: true}", '{hold: {kind: do_not_size, text: "no"}}'))
    kinds, said = change(held, {"asleep": True})
    assert kinds == ("size withheld", "settled", "hold new")
    assert said[0] == "size withheld: B H -> none"
    released = Comparer(held, OLD).change("p", {"asleep": True})
    assert released.kinds == ("size released", "settled", "hold no longer said")
    said = small_ruleset(adding=rule("{fact: asleep, is: true}", '{caution: {severity: info, text: "quiet"}}'))
    assert change(said, {"asleep": True}) == (("caution new",), ("caution new: info: quiet",))
    louder = small_ruleset(adding=rule("{fact: asleep, is: true}", '{caution: {severity: warning, text: "still"}}'))
    reworded = Comparer(said, louder).change("p", {"asleep": True})
    assert reworded.words == ("caution reworded: info: quiet -> warning: still",)
    asked = small_ruleset(adding=rule("{fact: asleep, is: true}", "{tasks: {task: look, every_hours: 1, people: 2}}"))
    assert change(asked, {"asleep": True}) == (
        ("task changed",),
        ("task changed: Look: every 4 hours, first within 1 hour -> every hour, first within 1 hour, 1 -> 2",),
    )
    assert change(small_ruleset(without=("small.look", "small.look_often")), {"asleep": True}) == (
        ("task no longer asked for", "instruction no longer said"),
        ("task no longer asked for: Look", "instruction no longer said: about"),
    )
    assessed = small_ruleset(
        frame=FRAME.replace("given: concluded, label: small,", "given: concluded, reported: true, label: small,")
    )
    assert change(assessed, {"form": "slender"})[0] == ("assessment",)
    narrower = small_ruleset(
        frame=FRAME.replace(
            "height_mm: {type: number, unit: mm, range: [5, 200]", "height_mm: {type: number, unit: mm, range: [5, 100]"
        )
    )
    assert change(narrower, {"height_mm": 150.0})[0] == ("facts accepted",)
