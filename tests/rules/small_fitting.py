"""A small ruleset with two lines of collars and a fit check, for tests of what is said and done after a check."""

from __future__ import annotations

from functools import cache

from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.ruleset import Ruleset


def _yes_or_no(name: str, label: str, more: str = "") -> str:
    return f"  {name}: {{type: boolean, label: {label}, meaning: {label}, code: {name.replace('_', '-')}{more}}}\n"


FRAME = (
    """
ruleset: {name: fitting, version: 1.0.0, title: fitting, disclaimer: nothing of this is for patients}
facts:
"""
    + "".join(
        _yes_or_no(name, label, ", finding: true")
        for name, label in {
            "choking": "chokes",
            "tight": "too tight",
            "loose": "too loose",
            "low": "chin not held",
            "high": "chin pushed up",
            "crooked": "sits crooked",
        }.items()
    )
    + _yes_or_no("threat", "threat", ", danger: {name: a threat, answers: [true]}")
    + "".join(
        _yes_or_no(name, name) for name in ("asleep", "frail", "gasping", "no_size_left", "collar_in_place", "missing")
    )
    + """
  worn_line: {type: code, values: [young, adult], label: line worn, meaning: line worn, code: worn-line}
  refits_in_this_size: {type: integer, unit: "{count}", range: [0, 100], label: refits, meaning: refits, code: refits}
  corrections_without_success:
    {type: integer, unit: "{count}", range: [0, 100], label: in a row, meaning: in a row, code: in-a-row}
parameters: {once: {value: 1, unit: "{count}", meaning: once, sources: [s]}}
sources:
  s: {kind: local_default, citation: a local default}
  t: {kind: local_default, citation: another one}
  u: {kind: local_default, citation: not of the fit}
axes:
  line:
    {title: line, values: [young, adult], words: {young: young line, adult: adult line}, largest: {young: {tall: T2}}}
  tall: {title: height, values: [T1, T2, T3, T4], words: {T1: shortest, T2: short, T3: tall, T4: tallest}}
  wide: {title: girth, values: [W1, W2, W3, W4], words: {W1: slim, W2: narrow, W3: wide, W4: widest}}
  shape: {title: shape, values: [straight, bent], words: {straight: straight, bent: bent}, silent: straight}
tasks:
  call: {title: Call, instruction: Call., request: activity, performer: nurse}
  free: {title: Free, instruction: Free the neck., request: activity, performer: nurse, kind: opening}
  watch: {title: Watch, instruction: Watch., request: activity, performer: nurse}
  refit_collar: {title: Refit, instruction: Refit., request: activity, performer: nurse, kind: opening}
  ask: {title: Ask, instruction: Ask., request: activity, performer: nurse}
roles: {nurse: a nurse}
triggers: {before: before it}
"""
)

FIT = """
rules:
  - id: fit.choking
    title: Choking
    when: {fact: choking, is: true}
    then:
      correct: {finding: choking, cause: It presses., correction: Open the front., stop: true}
      caution: {severity: critical, text: "Choking: open the front."}
      tasks: [{task: call, within_hours: 0}, {task: free, within_hours: 0}]
    because: Breath goes first.
    sources: [t, s]
  - id: fit.seat
    title: Seat it again
    when: {all: [{any: [{fact: tight, is: true}, {fact: crooked, is: true}]}, {fact: refits_in_this_size, below: once}]}
    then:
      correct: {cause: It was seated wrongly., correction: Seat it again.}
      caution: {severity: info, text: Seat it with care.}
      tasks: {task: refit_collar, within_hours: 1}
    because: The same size may do.
    sources: [s]
"""
FIT += "".join(
    f"""
  - id: fit.{finding}
    title: {finding}
    priority: {priority}
    when: {{all: [{{fact: {finding}, is: true}}, {{fact: refits_in_this_size, at_least: once}}]}}
    then:
      correct: {{finding: {finding}, cause: Its {axis} is wrong., correction: Try another {axis}.,
                step: {{axis: {axis}, by: {by}}}}}
      tasks: {{task: refit_collar, within_hours: 1}}
    because: The size is wrong.
    sources: [s]
"""
    for finding, axis, by, priority in (
        ("tight", "wide", 1, 0),
        ("loose", "wide", -1, 0),
        ("low", "tall", 1, 5),
        ("high", "tall", -1, 5),
    )
)
FIT += """
  - id: fit.crooked
    title: Crooked for good
    when: {all: [{fact: crooked, is: true}, {fact: refits_in_this_size, at_least: once}]}
    then:
      correct: {finding: crooked, cause: It fits no better., correction: Ask the orthotist., refer: true}
      tasks: [{task: ask, within_hours: 4}, {task: refit_collar, within_hours: 1}]
    because: Seating did not help.
    sources: [s]
  - id: fit.in_a_row
    title: Two in a row
    when: {fact: corrections_without_success, at_least: 2}
    then:
      correct: {cause: Nothing helped., correction: Ask the orthotist about all of it., refer: true}
      tasks: {task: ask, within_hours: 4}
    because: More of the same does not help.
    sources: [s]
  - id: fit.no_size_left
    title: No size left
    when: {all: [{fact: no_size_left, is: true}, {fact: worn_line, is: adult}, {fact: collar_in_place, is: true}]}
    then:
      correct: {cause: No size is left., correction: Ask for another collar., refer: true}
      tasks: {task: ask, within_hours: 4}
    because: All were tried.
    sources: [s]
"""

DANGERS = """
rules:
  - id: dangers.threat
    title: Threat
    when: {fact: threat, is: true}
    then:
      hold: {kind: do_not_size, text: "Threat: fit nothing."}
      caution: {severity: critical, text: "Threat: call."}
      tasks: [{task: call, within_hours: 0}, {task: free, within_hours: 0}, {task: watch, within_hours: 1}]
    because: A threat goes first.
    sources: [s]
  - {id: dangers.asleep, title: asleep, when: {fact: asleep, is: true}, because: b, sources: [u],
     then: {caution: {severity: info, text: Asleep.}, tasks: {task: watch, within_hours: 0}}}
  - {id: dangers.asked, title: asked, when: always, because: b, sources: [u], then: {ask: [threat]}}
"""

CARE = """
rules:
  - {id: care.gasping, title: gasping, when: {fact: gasping, is: true}, because: b, sources: [u],
     then: {caution: {severity: critical, text: Gasping.},
            tasks: [{task: call, within_hours: 0}, {task: free, within_hours: 0}, {task: ask, within_hours: 2}]}}
  - {id: care.frail, title: frail, when: {fact: frail, is: true}, because: b, sources: [u],
     then: {caution: {severity: warning, text: Frail.}, tasks: {task: watch, every_hours: 8}}}
  - {id: care.missing, title: missing, when: {fact: missing, is: true}, because: b, sources: [u],
     then: {hold: {kind: cannot_size, text: Something is missing.}}}
  - {id: care.size, title: size, when: always, because: b, sources: [u],
     then: {size: [{axis: line, value: adult, basis: assumed}, {axis: tall, value: T1, basis: assumed},
                   {axis: wide, value: W1, basis: assumed}, {axis: shape, value: straight, basis: assumed}]}}
"""


@cache
def fitting_ruleset(*changes: tuple[str, str]) -> Ruleset:
    """The ruleset; its topics are ``fit``, ``dangers`` and ``care``. Of each change the first text is replaced by the second."""
    files = {"frame": FRAME, "fit": FIT, "dangers": DANGERS, "care": CARE}
    for old, new in changes:
        assert any(old in text for text in files.values())
        files = {name: text.replace(old, new) for name, text in files.items()}
    return build_ruleset([YamlFile(f"{name}.yaml", text) for name, text in files.items()])
