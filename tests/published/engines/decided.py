"""What the service decides of a Bundle, in the form in which the published library says it."""

from __future__ import annotations

from typing import Any

from cds.fhir.canonical_urls import code
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.reader import read
from rules.deciding.decider import Decider
from rules.evaluation.information_gain import Prospects
from rules.evaluation.interpreter import Plain
from rules.model.decision import Task
from rules.model.ruleset import Ruleset
from tests.published.engines.generated_records import AT

Said = dict[str, Any]


class Service:
    """Reads and decides as the service does, but for the search for what to measure next, which the library leaves out."""

    def __init__(self, ruleset: Ruleset, code_map: CodeMap) -> None:
        nothing = Prospects(settled=True, settled_axes=dict.fromkeys(ruleset.axes, True), measure_next=())
        self._decider = Decider(ruleset, Plain(ruleset), lambda *_: nothing)
        self._code_map = code_map

    def said(self, bundle: object) -> Said:
        """What is decided of ``bundle`` at the moment ``AT``."""
        read_facts = read(bundle, self._decider.ruleset, self._code_map, AT)
        decision = self._decider.decide(read_facts.facts, AT, read_facts.not_used)
        said = {
            "rules": [entry.rule for entry in decision.trace],
            "size": decision.size_class.code if decision.size_class else None,
            "holds": [[code(hold.kind), hold.axis and code(hold.axis), hold.text] for hold in decision.holds],
            "cautions": [[caution.severity, caution.text] for caution in decision.cautions],
            "tasks": list(map(_task, decision.tasks)),
        }
        return in_order(said)


def _task(task: Task) -> Said:
    timing = task.timing
    return {
        "task": code(task.task),
        "people": task.people,
        "performer": code(task.performer),
        "first_within_hours": _rounded(timing.within_hours),
        "interval_hours": _rounded(timing.interval_hours),
        "for_days": _rounded(timing.for_days),
        "events": list(map(code, timing.on)),
    }


def _rounded(hours: float | None) -> float | None:
    return None if hours is None else round(hours, 6)


def in_order(said: Said) -> Said:
    """``said`` with its lists in an order of their own: an engine promises none."""
    tasks = [task | {"events": sorted(task["events"])} for task in said["tasks"]]
    lists = {name: sorted(said[name], key=str) for name in ("rules", "holds", "cautions")}
    return said | lists | {"tasks": sorted(tasks, key=lambda task: str(task["task"]))}
