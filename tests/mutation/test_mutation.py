"""The sample, the count and the warning of ``make mutate``."""

import contextlib
import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from mutmut.runners.harness import PytestRunner

from tests.mutation import __main__ as mutation
from tests.mutation import nearest_first
from tests.mutation.nearest_first import NearestFirst, distance, parts

MUTANT = "cds.fhir.reading.dates.xǁDateǁread__mutmut_3"


def test_one_seed_draws_one_sample() -> None:
    names = [f"m{number}" for number in range(1000)]
    drawn = mutation.sample(names, 1, 600)
    assert len(set(drawn)) == 600
    assert drawn == mutation.sample(names[::-1], 1, 600) != mutation.sample(names, 2, 600)
    assert mutation.sample(["a", "b"], 1, 600) == ["a", "b"]


def test_what_was_drawn_before_stays_while_it_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mutation, "MUTANTS", tmp_path)
    before = mutation.draw([f"m{number}" for number in range(1000)], 1, 600)
    names = [f"m{number}" for number in range(100, 1200)]
    after = mutation.draw(names, 1, 600)
    stayed = {*before} & {*names}
    assert 500 < len(stayed) < 600 and len({*after}) == 600
    assert stayed < {*after} and {*after} - stayed <= {*names} - {*before}
    assert mutation.draw(names, 1, 600) == after


def test_the_copy_with_the_mutants_follows_the_tree(tmp_path: Path) -> None:
    tree, kept = tmp_path / "tree", tmp_path / "mutants"
    for folder in (tree / "rules", tree / "tests" / "new", kept / "rules", kept / "tests"):
        folder.mkdir(parents=True)
    (tree / "rules" / "facts.yaml").write_text("now")
    (tree / "rules" / "sizing.py").write_text("code")
    (tree / "tests" / "new" / "table.csv").write_text("1")
    (kept / "rules" / "facts.yaml").write_text("then")
    (kept / "rules" / "sizing.py").write_text("mutants of code")
    (kept / "rules" / "sizing.py.meta").write_text("{}")
    (kept / "tests" / "test_moved.py").write_text("import gone")
    mutation.follow(tree, kept)
    found = {str(path.relative_to(kept)): path.read_text() for path in kept.rglob("*") if path.is_file()}
    assert found == {
        "rules/facts.yaml": "now",
        "rules/sizing.py": "mutants of code",
        "rules/sizing.py.meta": "{}",
        "tests/new/table.csv": "1",
    }


def test_what_was_not_tested_counts_for_nothing_and_a_survivor_has_its_reason() -> None:
    outcome = {"a": "killed", "b": "timeout", "c": "survived", "d": "not tested", "e": "no tests"}
    told = mutation.summary(outcome, {"c": "only the order of a set"}, {"c": "-x\n+y"})
    assert (told["sample"], told["tested"], told["noticed"], told["share"]) == (5, 4, 2, 0.5)
    assert told["survivors"] == [
        {"mutant": "c", "difference": "-x\n+y", "reason": "only the order of a set"},
        {"mutant": "e", "difference": "", "reason": "none given yet"},
    ]


def test_a_module_that_changed_since_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, *others = mutation.modules()
    assert len(others) > 20
    digests = {str(path): mutation.digest((mutation.ROOT / path).read_text(encoding="utf-8")) for path in others}
    result = tmp_path / "result.json"
    result.write_text(json.dumps({"modules": digests | {str(first): "as it was"}}))
    monkeypatch.setattr(mutation, "RESULT", result)
    assert mutation.changed() == [str(first)]


def test_a_docstring_and_a_comment_are_no_change_and_all_else_is_one() -> None:
    code = 'def fits(neck):\n    """Whether it fits."""\n    return neck > 3  # cm\n'
    told = code.replace("Whether it fits", "Whether ``neck``,\n    in cm, fits").replace("  # cm", "")
    assert mutation.digest(code) == mutation.digest(told)
    assert len({mutation.digest(one) for one in (code, code.replace("> 3", "> 4"), code.replace("neck", "girth"))}) == 3
    assert mutation.digest(code) != mutation.digest(code.replace("return neck", "'x'\n    return neck"))


def test_the_tests_of_a_module_run_before_those_that_also_reach_it() -> None:
    files = [
        "tests/rules/deciding/test_decider.py",
        "tests/cds/hooks/test_dates.py",
        "tests/cds/fhir/reading/test_reader.py",
        "tests/cds/fhir/reading/test_dates.py",
        "tests/cds/fhir/test_bundle.py",
    ]
    assert [distance(each, MUTANT) for each in files] == [7, 4, 1, 0, 3]


def test_the_quickest_of_the_nearest_tests_run_first() -> None:
    own, other = (f"tests/cds/fhir/reading/test_{name}.py" for name in ("dates", "reader"))
    tests = [f"{file}::test_{number}" for file in (other, own) for number in range(300)]
    slow = f"{own}::test_0"
    first, second, others = parts(tests, {slow: 9.0}, MUTANT)
    assert {test.partition("::")[0] for test in first} == {own} and slow in second
    assert [len(first), len(second), len(others)] == [100, 400, 100]
    assert sorted([*first, *second, *others]) == sorted(tests)
    assert list(parts(tests[:3], {}, MUTANT)) == [tests[:3]]


def test_a_mutant_that_a_near_test_notices_is_not_run_against_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    own = "tests/cds/fhir/reading/test_dates.py"
    tests = [f"{own}::test_{number}" for number in range(600)] + ["tests/rules/test_all.py::test_a"]
    ran: list[tuple[set[str], bool]] = []
    codes = [0, 1, 0]

    def execute(_runner: PytestRunner, params: list[str], plugins: Sequence[object] = ()) -> int:
        ran.append(({param for param in params if param.startswith("tests/")}, bool(plugins)))
        return codes[len(ran) - 1]

    monkeypatch.setattr(PytestRunner, "execute_pytest", execute)
    monkeypatch.setattr(nearest_first, "change_cwd", lambda _folder: contextlib.nullcontext())
    assert NearestFirst().run_tests(mutant_name=MUTANT, tests=tests) == 1
    assert ran == [({own}, True)] * 2
    ran.clear()
    codes[1] = 0
    assert NearestFirst().run_tests(mutant_name=MUTANT, tests=tests) == 0
    assert ran == [({own}, True)] * 2 + [({own, "tests/rules/test_all.py"}, True)]
    ran.clear()
    assert NearestFirst().run_tests(mutant_name=None, tests=tests) == 0
    assert ran == [({own, "tests/rules/test_all.py"}, False)]


def test_of_the_files_of_a_part_only_its_tests_run(request: pytest.FixtureRequest) -> None:
    items = [item for item in request.session.items if isinstance(item, pytest.Item)]
    assert request.node in items
    nearest_first.Only([request.node.nodeid]).pytest_collection_modifyitems(items)
    assert items == [request.node]
