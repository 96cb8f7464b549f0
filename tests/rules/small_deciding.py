"""A small ruleset that uses every part of a decision, for tests of how a decision is written down."""

from __future__ import annotations

from functools import cache

from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.ruleset import Ruleset

FRAME = """
ruleset: {name: deciding, version: 2.0.0, title: deciding, disclaimer: nothing of this is for patients}
facts:
  age_years: {type: number, unit: year, range: [0, 120], label: age, meaning: the age, code: age}
  weight_kg: {type: number, unit: kg, range: [1, 400], label: weight, meaning: the weight, code: weight, ask: "Weigh."}
  girth_mm: {type: number, unit: mm, range: [100, 900], label: girth, meaning: the girth, code: girth}
  mean_mm: {type: number, unit: mm, range: [200, 800], given: either, label: mean, meaning: mean, code: mean}
  spread_mm: {type: number, unit: mm, range: [1, 90], given: concluded, label: spread, meaning: spread, code: spread}
  threat: {type: boolean, danger: {name: a threat, answers: [true]}, label: threat, meaning: a threat, code: threat}
  bleeding: {type: boolean, danger: {name: bleeding, answers: [true]}, label: bleeds, meaning: bleeds, code: bleeding}
  swollen: {type: boolean, label: swollen, meaning: swollen, code: swollen}
  lying: {type: boolean, label: lying, meaning: lying, code: lying}
  grade: {type: code, values: [low, high], given: concluded, reported: true, label: grade, meaning: grade, code: grade}
  collar_hours: {type: number, unit: h, range: [0, 9999], label: hours worn, meaning: hours worn, code: hours-worn}
retired_facts:
  neck_form: {code: neck-form, instead: [girth_mm]}
parameters:
  low_mm: {value: 330, unit: mm, meaning: low, sources: [s]}
  high_mm: {value: 400, unit: mm, meaning: high, sources: [s]}
  old_years: {value: 12, unit: year, meaning: old, sources: [s], range: [1, 90]}
  per_kg: {value: 5, unit: mm/kg, meaning: per kg, sources: [s]}
  spread: {value: 30, unit: mm, meaning: spread, sources: [s]}
sources:
  s: {kind: local_default, citation: a local default}
  p: {kind: published, citation: "Somebody, 2001"}
  not_cited: {kind: published, citation: "Nobody, 2002"}
axes:
  line: {title: line, values: [young, adult], words: {young: young line, adult: adult line}, conditions: {adult: if adult}}
  girth:
    {title: girth, values: [G1, G2, G3], words: {G1: slim, G2: middle, G3: wide}, edges: [low_mm, high_mm], fact: girth_mm,
     estimate: {mean: mean_mm, spread: spread_mm}}
  pose: {title: pose, values: [upright, flat], words: {upright: upright, flat: flat}, silent: upright}
tasks:
  call: {title: Call, instruction: Call., request: order, performer: nurse, location: at the desk, outcome: Heard.}
  turn:
    {title: Turn, instruction: Turn., request: activity, performer: nurse, kind: turning, hands: {head: 1, rolls: 1}}
  look: {title: Look, instruction: Look., request: activity, performer: nurse}
  never: {title: Never, instruction: Never., request: activity, performer: nurse}
hands: {head: {words: holds the head}, rolls: {words: rolls}, waits: {words: waits}}
roles: {nurse: a nurse, doctor: a doctor}
triggers: {before: before it}
"""

LEAFLETS = {
    "de": "{language: de, translates: en, title: Worte, notice: erfunden, "
    "texts: {wear: {title: Tragen, lines: [Tragen Sie es.], of: 5586808c}, "
    "wash: {title: Waschen, lines: [Waschen.], of: 7f53f419}, rest: {title: Ruhen, lines: [Ruhen.], of: f76f2331}}}",
    "en": "{language: en, title: Words, notice: invented, "
    "texts: {wear: {title: Wear, lines: [Wear it., Day and night.]}, "
    "wash: {title: Wash, lines: [Wash.]}, rest: {title: Rest, lines: [Rest.]}}}",
}

RULES = """
rules:
  - {id: small.grade, title: grade, because: Lying., sources: [s],
     when: {all: [{fact: lying, is: true}, {fact: weight_kg, at_least: 50}]}, then: {conclude: {grade: high}}}
  - {id: small.estimate, title: estimate, when: {known: weight_kg}, because: Heavier is wider., sources: [p],
     then: {conclude: {mean_mm: weight_kg * per_kg, spread_mm: spread}}}
  - {id: small.adult, title: adult, when: {fact: age_years, at_least: old_years}, because: Old enough., sources: [p, s],
     then: {size: {axis: line, value: adult, basis: measured}}}
  - {id: small.young, title: young, when: {fact: age_years, below: old_years}, because: Not yet., sources: [s],
     then: {size: {axis: line, value: young, basis: measured}, caution: {severity: warning, text: Young.}}}
  - {id: small.line, title: line, when: always, because: Most are., sources: [s],
     then: {size: {axis: line, value: adult, basis: assumed}}}
  - {id: small.g_low, title: low, when: {fact: girth_mm, below: low_mm}, because: Measured., sources: [s],
     then: {size: {axis: girth, value: G1, basis: measured}}}
  - {id: small.g_high, title: high, when: {fact: girth_mm, at_least: low_mm}, because: Measured., sources: [s],
     then: {size: {axis: girth, value: G2, basis: measured}}}
  - {id: small.g_est, title: estimated, when: {fact: mean_mm, above: 0}, because: Estimated., sources: [p],
     then: {size: [{axis: girth, value: G1, basis: observed}, {axis: girth, value: G2, basis: observed, first: true},
                   {axis: girth, value: G3, basis: observed}]}}
  - {id: small.girth, title: girth, when: always, because: Somewhere., sources: [s],
     then: {size: [{axis: girth, value: G1, basis: assumed}, {axis: girth, value: G2, basis: assumed}]}}
  - {id: small.pose, title: pose, when: always, because: Mostly., sources: [s],
     then: {size: {axis: pose, value: upright, basis: assumed}}}
  - {id: small.either, title: either, when: {fact: swollen, is: false}, because: Who knows., sources: [s],
     then: {size: {axis: pose, value: flat, basis: assumed}}}
  - {id: small.flat, title: flat, when: {fact: lying, is: true}, because: It lies., sources: [s],
     then: {size: {axis: pose, value: flat, basis: observed}}}
  - {id: small.swollen, title: swollen, when: {fact: swollen, is: true}, because: It may swell on., sources: [s],
     then: {hold: {kind: cannot_size, axis: girth, text: "Swollen: measure again."}}}
  - id: small.threat
    title: threat
    priority: 9
    when: {fact: threat, is: true}
    then:
      hold: {kind: do_not_size, text: "Threat: call now and fit nothing.", summary: "Threat: call."}
      caution: {severity: critical, text: "Threat: call now and fit nothing.", summary: "Threat: call."}
      tasks: {task: call, within_hours: 0, performer: doctor}
    because: It goes first.
    sources: [s]
  - id: small.bleeding
    title: bleeding
    when: {fact: bleeding, is: true}
    then:
      hold: {kind: do_not_size, text: "Threat: call now and fit nothing.", summary: "Threat: call."}
      caution:
        - {severity: critical, text: "Threat: call now and fit nothing.", summary: "Threat: call."}
        - {severity: warning, text: "Blood: wash."}
        - {severity: warning, text: "Blood: look often.", leads: true}
      tasks: {task: look, every_hours: 1, detail: Look for blood.}
    because: Blood hides.
    sources: [s]
  - id: small.lying
    title: lying
    when: {fact: lying, is: true}
    then:
      caution: [{severity: info, text: Lying.}, {severity: warning, text: "Skin: turn."}]
      tasks:
        - {task: turn, every_hours: 4, within_wear_hours: 6, hands: {rolls: 2}, detail: To the other side.}
        - {each: turning, people: 5, detail: With a sheet.}
      instructions: [rest, wear]
    because: Lying presses.
    sources: [s]
  - id: small.old
    title: old
    when: {fact: age_years, at_least: 80}
    then:
      caution: [{severity: warning, text: "Skin: look soon."}, {severity: info, text: Old.}]
      tasks: [{task: look, within_hours: 2, detail: Look for blood.}, {task: look, times_per_day: 2, on: [before]}]
      instructions: wear
    because: Old skin.
    sources: [s]
  - {id: small.join, title: join, when: always, because: Joined., sources: [s],
     then: {tasks: {each: turning, detail: Say so.}}}
  - {id: small.ask, title: ask, when: always, because: b, sources: [s],
     then: {ask: [weight_kg, age_years, bleeding, swollen, threat, lying, collar_hours]}}
  - {id: small.ask_again, title: ask again, priority: 3, when: {fact: age_years, at_least: 80}, because: b, sources: [s],
     then: {ask: [collar_hours, weight_kg]}}
"""

SITE = """
site: {name: a site}
parameters: {old_years: {value: 14, because: Ours grow late.}}
rules:
  - {id: ours.note, title: ours, when: {fact: age_years, at_least: old_years}, because: Here so., sources: [s],
     then: {caution: {severity: info, text: Ours.}}}
"""


@cache
def deciding_ruleset(*, at_a_site: bool = False) -> Ruleset:
    """The ruleset, as it is or as a site with a parameter and a rule of its own has it."""
    texts = {"frame.yaml": FRAME, "small.yaml": RULES} | {
        f"instructions/{language}.yaml": f"instructions: {text}\n" for language, text in LEAFLETS.items()
    }
    overlays = [YamlFile("site.yaml", SITE)] if at_a_site else []
    return build_ruleset([YamlFile(name, text) for name, text in texts.items()], overlays)
