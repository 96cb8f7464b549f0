"""``make mutate``: mutants of the modules that ``[tool.mutmut]`` names, each run against the tests that reach its function.

``run`` draws a sample (the same for one seed and one tree; mutants that were drawn before and are still there stay in it), tests
what is not tested yet or survived without a reason, and writes ``result.json`` beside this file; stopped at any moment, also for
a change of the code, it goes on where it was. ``report`` only writes what is known. ``changed`` prints a
line for each module that changed since the result was made, and always ends with 0: it warns.

The result names the commit, what became of each mutant, and each survivor with its difference and, from ``survivors.yaml``,
the reason why it may survive.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[2]
RESULT = Path(__file__).parent / "result.json"
REASONS = Path(__file__).parent / "survivors.yaml"
MUTANTS = ROOT / "mutants"
"""Where mutmut keeps the mutated copy of the tree and what became of each mutant; git does not see it."""
MUTMUT = (sys.executable, "-m", "tests.mutation.nearest_first")

_STATUS = {0: "survived", 1: "killed", 3: "killed", 5: "no tests", 33: "no tests", 36: "timeout", -24: "timeout"}
_STATUS |= {24: "timeout", 152: "timeout", 255: "timeout", -11: "killed", -9: "timeout"}
"""What mutmut's codes mean; a crash of the interpreter is noticed by any test."""
_NOTICED = ("killed", "timeout")
_LEFT = ("survived", "no tests")
_COPIED = ("cds", "rules", "tests", "demo_bundles", "docs")
_OF_MUTMUT = (".meta", ".spans", ".pyc")
"""What it keeps beside its copies."""
_DESCRIBED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)


def modules() -> list[Path]:
    """The modules to mutate, relative to the root."""
    patterns = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mutmut"]["only_mutate"]
    return sorted(path.relative_to(ROOT) for pattern in patterns for path in ROOT.glob(pattern))


def codes() -> dict[str, int | None]:
    """What is known of each mutant that was made: mutmut's code, or None where it was not tested."""
    known: dict[str, int | None] = {}
    for path in modules():
        written = MUTANTS / f"{path}.meta"
        if written.exists():
            known |= json.loads(written.read_text(encoding="utf-8"))["exit_code_by_key"]
    return known


def sample(names: list[str], seed: int, size: int, drawn: Sequence[str] = ()) -> list[str]:
    """``size`` of ``names`` (or all, where there are fewer), the same ones for the same seed.

    Those ``drawn`` before stay where they are still there, so that what was tested of them counts after a change of the code.
    """
    kept = sorted({*drawn} & {*names})
    kept = random.Random(seed).sample(kept, min(size, len(kept)))
    others = sorted({*names} - {*kept})
    return sorted([*kept, *random.Random(seed).sample(others, min(size - len(kept), len(others)))])


def draw(names: list[str], seed: int, size: int) -> list[str]:
    """The sample of ``names``, kept beside the mutants for the next time."""
    kept = MUTANTS / f"sample-{seed}.json"
    drawn = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else []
    chosen = sample(names, seed, size, drawn)
    kept.write_text(json.dumps(chosen, indent=0) + "\n", encoding="utf-8")
    return chosen


def summary(outcome: Mapping[str, str], reasons: Mapping[str, str], differences: Mapping[str, str]) -> dict[str, Any]:
    """The counts, the share noticed of those tested, and the survivors."""
    counts = Counter(outcome.values())
    tested = sum(counts[status] for status in (*_NOTICED, *_LEFT))
    noticed = sum(counts[status] for status in _NOTICED)
    left = sorted(name for name, status in outcome.items() if status in _LEFT)
    return {
        "sample": len(outcome),
        "tested": tested,
        "noticed": noticed,
        "share": round(noticed / tested, 4) if tested else None,
        "by_status": dict(sorted(counts.items())),
        "survivors": [
            {"mutant": name, "difference": differences.get(name, ""), "reason": reasons.get(name, "none given yet")}
            for name in left
        ],
    }


def digest(text: str) -> str:
    """The code of a module with that ``text`` as a hash: docstrings, comments and line breaks do not count."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, _DESCRIBED) and ast.get_docstring(node) is not None:
            node.body[0] = ast.Pass()
    return hashlib.sha256(ast.unparse(tree).encode()).hexdigest()


def report(seed: int, size: int) -> dict[str, Any]:
    """Write and return what is known of the sample."""
    known = codes()
    chosen = draw(list(known), seed, size)
    outcome = {
        name: "not tested" if known[name] is None else _STATUS.get(known[name] or 0, "suspicious") for name in chosen
    }
    reasons = _reasons()
    differences = {name: _difference(name) for name, status in outcome.items() if status in _LEFT}
    result = {
        "commit": _said("git", "rev-parse", "HEAD"),
        "tool": _said(*MUTMUT, "--version"),
        "seed": seed,
        "mutants": len(known),
        **summary(outcome, reasons, differences),
        "modules": _digests(),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return result


def changed() -> list[str]:
    """Modules of which the code is not what it was when the result was made."""
    then = json.loads(RESULT.read_text(encoding="utf-8"))["modules"]
    return [path for path, now in _digests().items() if then.get(path) != now]


def follow(tree: Path = ROOT, kept: Path = MUTANTS) -> None:
    """Bring ``kept``, the copy of ``tree`` with the mutants, up to it, where mutmut leaves what it copied once.

    It makes changed Python anew, and neither takes changed knowledge nor deletes a test that was moved and imports what is gone.
    """
    for folder in _COPIED if kept.exists() else ():
        there = {path.relative_to(tree) for path in (tree / folder).rglob("*") if path.is_file()}
        for path in [path for path in (kept / folder).rglob("*") if path.is_file() and path.suffix not in _OF_MUTMUT]:
            if path.relative_to(kept) not in there:
                path.unlink()
        for name in there:
            if name.suffix not in (".py", ".pyc"):
                (kept / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(tree / name, kept / name)


def run(seed: int, size: int, children: int) -> dict[str, Any]:
    """Make the mutants, learn which tests reach what, and test what of the sample is not tested yet."""
    follow()
    # No mutant has this name: mutmut makes all of them, runs the tests once to see what they reach, and stops over the name.
    made = subprocess.run(
        [*MUTMUT, "run", "--max-children", str(children), "none"],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    known = codes()
    if not known:
        raise SystemExit(f"mutmut made no mutants: {made.stderr}")
    chosen, reasons = draw(list(known), seed, size), _reasons()
    waiting = [name for name in chosen if known[name] is None or (_left(known[name]) and name not in reasons)]
    print(f"{len(known)} mutants; {min(size, len(known)) - len(waiting)} of the sample tested, {len(waiting)} to go")
    if waiting:
        subprocess.run([*MUTMUT, "run", "--max-children", str(children), *waiting], cwd=ROOT, check=False)
    return report(seed, size)


def _reasons() -> dict[str, str]:
    return yaml.safe_load(REASONS.read_text(encoding="utf-8")) or {} if REASONS.exists() else {}


def _left(code: int | None) -> bool:
    """Whether a mutant with that code of mutmut was tested and noticed by nobody."""
    return code is not None and _STATUS.get(code) in _LEFT


def _digests() -> dict[str, str]:
    return {str(path): digest((ROOT / path).read_text(encoding="utf-8")) for path in modules()}


def _said(*command: str) -> str:
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()


def _difference(name: str) -> str:
    """The lines that a mutant changes."""
    shown = subprocess.run([*MUTMUT, "show", name], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    lines = [line for line in shown.splitlines() if line[:1] in "+-" and line[:3] not in ("+++", "---")]
    return "\n".join(lines)


def main() -> int:
    """Run the command; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("command", choices=["run", "report", "changed"])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sample", type=int, default=600)
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1, help="how many mutants at once")
    given = parser.parse_args()
    if given.command == "changed":
        if not RESULT.exists():
            print("warning: the mutants of this tree were never tested; `make mutate` tests them")
            return 0
        for path in changed():
            print(f"warning: {path} changed since its mutants were tested; `make mutate` tests it again")
        return 0
    result = (
        run(given.seed, given.sample, given.children) if given.command == "run" else report(given.seed, given.sample)
    )
    print(
        f"{result['noticed']} of {result['tested']} mutants noticed ({result['by_status']}); {RESULT.relative_to(ROOT)}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
