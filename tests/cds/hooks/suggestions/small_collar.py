"""Decisions by a small ruleset of a collar with a fitting, care and an end, for tests of what a card offers."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import Any

from cds.fhir.writing.order_context import OrderContext
from rules.deciding.decider import Decider
from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
BASE = "https://canonical.example/fhir"
CONTEXT = OrderContext("Patient/p1", base=BASE)

FRAME = """
ruleset: {name: small_collar, version: 1.0.0, title: small, disclaimer: nothing of this is for patients}
facts:
  girth_mm: {type: number, unit: mm, range: [100, 900], label: girth, meaning: girth, code: girth}
  lying: {type: boolean, label: lying, meaning: lying, code: lying}
  wet: {type: boolean, label: wet, meaning: wet, code: wet}
  missing: {type: boolean, label: missing, meaning: missing, code: missing}
  clearance_recorded: {type: boolean, label: cleared, meaning: cleared, code: cleared}
  penetrating: {type: boolean, label: penetrating, meaning: penetrating, code: penetrating}
parameters:
  wide_mm: {value: 400, unit: mm, meaning: wide, sources: [s]}
  shelf_share_of_band: {value: 0.5, unit: "1", meaning: share, sources: [s]}
sources: {s: {kind: local_default, citation: a local default}}
axes:
  girth_band: {title: girth, values: [G1, G2], words: {G1: narrow, G2: wide}, fact: girth_mm, edges: [wide_mm]}
  pose: {title: pose, values: [upright, head_up], words: {upright: upright, head_up: head up}, silent: upright}
tasks:
  fit_collar: {title: Fit, instruction: Fit it., request: order, performer: nurse, people: 3}
  call_somebody: {title: Call, instruction: Call., request: order, performer: nurse}
  look: {title: Look, instruction: Look., request: activity, performer: nurse}
  decide_end: {title: Decide, instruction: Decide., request: order, performer: nurse}
roles: {nurse: a nurse}
triggers: {before: before it}
instructions: {language: en, title: Words, notice: invented, texts: {wear: {title: Wear, lines: [Wear it.]}}}
"""

RULES = """
rules:
  - {id: small.narrow, title: narrow, when: {fact: girth_mm, below: wide_mm}, because: Measured., sources: [s],
     then: {size: {axis: girth_band, value: G1, basis: measured}}}
  - {id: small.wide, title: wide, when: {fact: girth_mm, at_least: wide_mm}, because: Measured., sources: [s],
     then: {size: {axis: girth_band, value: G2, basis: measured}}}
  - {id: small.girth, title: girth, when: always, because: Most are., sources: [s],
     then: {size: {axis: girth_band, value: G1, basis: assumed}}}
  - {id: small.pose, title: pose, when: always, because: Most are., sources: [s],
     then: {size: {axis: pose, value: upright, basis: assumed}}}
  - {id: small.lying, title: lying, when: {fact: lying, is: true}, because: Lying., sources: [s],
     then: {size: {axis: pose, value: head_up, basis: observed}, tasks: {task: call_somebody, within_hours: 1}}}
  - {id: small.fit, title: fit, when: {any: [{unknown: missing}, {fact: missing, is: false}]}, because: Fitted., sources: [s],
     then: {tasks: {task: fit_collar, within_hours: 1}}}
  - {id: small.wet, title: wet, when: {fact: wet, is: true}, because: Wet., sources: [s],
     then: {tasks: {task: look, every_hours: 8}, instructions: wear}}
  - {id: small.missing, title: missing, when: {fact: missing, is: true}, because: b, sources: [s],
     then: {hold: {kind: cannot_size, text: Something is missing.}}}
  - {id: small.cleared, title: cleared, when: {fact: clearance_recorded, is: true}, because: Cleared., sources: [s],
     then: {caution: {severity: warning, text: "Cleared: ask.", leads: true}, tasks: {task: decide_end, within_hours: 4}}}
  - {id: small.penetrating, title: penetrating, when: {fact: penetrating, is: true}, because: b, sources: [s],
     then: {caution: {severity: critical, text: "Penetrating: ask.", leads: true}, tasks: {task: call_somebody}}}
"""


@cache
def ruleset() -> Ruleset:
    """The ruleset of this module."""
    return build_ruleset([YamlFile("frame.yaml", FRAME), YamlFile("small.yaml", RULES)])


@cache
def _decider() -> Decider:
    return Decider(ruleset())


def decided(**facts: Any) -> Decision:
    """The decision for ``facts`` at ``AT``."""
    return _decider().decide(facts, AT)


def coded(system: str, code: Any, text: str | None = None) -> dict[str, Any]:
    """A CodeableConcept with one coding of a code system of ours."""
    concept: dict[str, Any] = {"coding": [{"system": f"{BASE}/CodeSystem/{system}", "code": code}]}
    return concept if text is None else {**concept, "text": text}
