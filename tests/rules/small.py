"""A small ruleset of two axes for tests that need a ruleset broken in one way."""

from __future__ import annotations

import textwrap

from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.ruleset import Ruleset

FRAME = """
ruleset: {name: small, version: 1.0.0, title: small, disclaimer: none}
facts:
  height_mm: {type: number, unit: mm, range: [5, 200], label: height, meaning: height, code: height}
  girth_mm: {type: number, unit: mm, range: [100, 900], label: girth, meaning: girth, code: girth}
  fingers: {type: number, unit: "{finger}", range: [0, 10], label: fingers, meaning: fingers, code: fingers}
  weight_kg: {type: number, unit: kg, range: [1, 400], label: weight, meaning: weight, code: weight}
  length_cm: {type: number, unit: cm, range: [30, 250], label: length, meaning: length, code: length}
  score: {type: integer, unit: "{score}", range: [6, 23], label: score, meaning: score, code: score}
  form: {type: code, values: [slender, average, broad], label: form, meaning: form, code: form}
  danger: {type: boolean, label: danger, meaning: danger, code: danger}
  asleep: {type: boolean, label: asleep, meaning: asleep, code: asleep}
  index: {type: number, unit: kg/m2, range: [7, 120], given: either, label: index, meaning: index, code: index}
  low_mm: {type: number, unit: mm, range: [0, 250], given: concluded, label: low, meaning: low, code: low}
  small: {type: boolean, given: concluded, label: small, meaning: small, code: small}
parameters:
  edge_mm: {value: 60, unit: mm, meaning: edge, sources: [s], range: [10, 190]}
  margin_mm: {value: 3, unit: mm, meaning: margin, sources: [s]}
  finger_mm: {value: 19, unit: mm, meaning: finger, sources: [s]}
  wide_mm: {value: 400, unit: mm, meaning: wide, sources: [s]}
sources:
  s: {kind: local_default, citation: a local default}
axes:
  band: {title: band, values: [A, B, C], words: {A: low, B: middle, C: high}}
  girth: {title: girth, values: [G, H], words: {G: narrow, H: wide}}
tasks:
  look: {title: Look, instruction: Look at the skin., request: activity, performer: nurse}
roles: {nurse: a nurse, fitter: a fitter}
triggers: {before: before it}
instructions:
  {language: en, title: Words, notice: invented, texts: {about: {title: About, lines: [Wear it.]}}}
"""

RULES = """
  - {id: small.index, title: index, when: {all: [{known: weight_kg}, {known: length_cm}]}, because: b, sources: [s],
     then: {conclude: {index: weight_kg / (length_cm / 100) / (length_cm / 100)}}}
  - {id: small.low, title: low, when: {known: fingers}, because: b, sources: [s],
     then: {conclude: {low_mm: fingers * finger_mm}}}
  - {id: small.small, title: small, when: {fact: form, is: slender}, because: b, sources: [s],
     then: {conclude: {small: true}}}
  - {id: small.a, title: a, when: {fact: height_mm, below: edge_mm + margin_mm}, because: b, sources: [s],
     then: {size: {axis: band, value: A, basis: measured}}}
  - {id: small.b, title: b, when: {fact: height_mm, at_least: edge_mm - margin_mm}, because: b, sources: [s],
     then: {size: {axis: band, value: B, basis: measured}}}
  - {id: small.low_a, title: low a, when: {fact: low_mm, below: edge_mm}, because: b, sources: [s],
     then: {size: {axis: band, value: A, basis: observed}}}
  - {id: small.low_b, title: low b, when: {fact: low_mm, at_least: edge_mm}, because: b, sources: [s],
     then: {size: {axis: band, value: B, basis: observed}}}
  - {id: small.heavy, title: heavy, priority: 5, when: {fact: index, at_least: 40}, because: b, sources: [s],
     then: {size: {axis: band, value: A, basis: assumed}}}
  - {id: small.band, title: band, when: always, because: b, sources: [s],
     then: {size: {axis: band, value: B, basis: assumed}}}
  - {id: small.g, title: g, when: {fact: girth_mm, below: wide_mm}, because: b, sources: [s],
     then: {size: {axis: girth, value: G, basis: measured}}}
  - {id: small.h, title: h, when: {fact: girth_mm, at_least: wide_mm}, because: b, sources: [s],
     then: {size: {axis: girth, value: H, basis: measured}}}
  - {id: small.girth_unknown, title: girth unknown, when: {unknown: small}, because: b, sources: [s],
     then: {size: {axis: girth, value: H, basis: assumed}}}
  - {id: small.girth_small, title: girth small, when: {fact: small, is: true}, because: b, sources: [s],
     then: {size: {axis: girth, value: G, basis: assumed}}}
  - id: small.danger
    title: danger
    when: {fact: danger, is: true}
    then:
      hold: {kind: do_not_size, text: "Danger: call."}
      caution: {severity: critical, text: "Danger: put no collar on."}
    because: b
    sources: [s]
  - {id: small.look, title: look, when: always, because: b, sources: [s],
     then: {instructions: [about], tasks: {task: look, every_hours: 8}}}
  - {id: small.look_often, title: look often, when: {fact: asleep, is: true}, because: b, sources: [s],
     then: {tasks: {task: look, every_hours: 4, within_hours: 1}}}
  - {id: small.look_score, title: look score, when: {fact: score, at_most: 12}, because: b, sources: [s],
     then: {tasks: {task: look, every_hours: 2}}}
"""


def small_source(*, without: tuple[str, ...] = (), adding: str = "") -> YamlFile:
    """The rules as a file, less those whose ids are ``without``, with further ones as YAML in ``adding``."""
    text = "rules:\n" + RULES.strip("\n") + "\n" + textwrap.indent(textwrap.dedent(adding), "  ")
    written = YamlFile("small.yaml", text)
    kept = [rule for rule in written.data["rules"] if rule["id"] not in without]
    assert len(kept) + len(without) == len(written.data["rules"])
    written.data["rules"] = kept
    return written


def small_ruleset(*, without: tuple[str, ...] = (), adding: str = "", frame: str = FRAME) -> Ruleset:
    """The small ruleset, changed as ``small_source`` says."""
    return build_ruleset([YamlFile("frame.yaml", frame), small_source(without=without, adding=adding)])
