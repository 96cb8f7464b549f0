"""What a call costs as its records, its facts and the rule set grow."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from itertools import cycle

import httpx

from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset
from rules.model.ruleset import Ruleset
from rules.testing.generators import Generator
from tests.bench.measured import seconds
from tests.bench.over_http import calls
from tests.bench.over_http.figures import Points
from tests.bench.over_http.load import loaded
from tests.bench.over_http.servers import Server
from tests.cds.hook_calls import MEASURED, observation

RESOURCES = (10, 40, 100, 300, 1_000, 2_000)
FACTS = (4, 10, 20, 40, 80)
RULES = (10, 50, 100, 384, 1_000, 2_000)
_PATIENTS = 20
_AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def by_resources(service: Server, wanted: int) -> Points:
    """A call of order-select with so many resources, of which as many as ever are facts."""
    return tuple((count, _cost(service, calls.order_select_of(count), wanted)) for count in RESOURCES)


def by_facts(service: Server, wanted: int) -> Points:
    """A call of 100 resources, of which so many are facts."""
    yes_or_no = [
        observation(name.replace("_", "-"), False)
        for name, fact in load_ruleset().vocabulary.items()
        if fact.type == "boolean" and fact.given != "concluded" and name != "bed_rest"
    ]
    given = [*MEASURED, *yes_or_no]
    return tuple((n, _cost(service, calls.order_select_of(100, findings=given[:n]), wanted)) for n in FACTS)


def _cost(service: Server, body: bytes, wanted: int) -> float:
    return loaded(service.url + calls.PATH, body, service.process, connections=1, seconds=wanted).cost


def by_rules() -> Points:
    """A whole decision (``Decider.decide``) by so many rules: some of the shipped ones, or all of them several times."""
    whole = load_ruleset()
    patients = list(Generator(whole).patients(_PATIENTS))
    points = []
    for count in RULES:
        ruleset = _sized(whole, count)
        decider = Decider(ruleset)
        decider.decide(patients[0], _AT)
        spent = seconds(lambda d=decider: [d.decide(facts, _AT) for facts in patients])
        points.append((len(ruleset.rules), spent / _PATIENTS * 1000))
    return tuple(points)


def _sized(whole: Ruleset, wanted: int) -> Ruleset:
    """Each layer cut short, or repeated under new ids, in proportion."""
    strata = []
    for stratum in whole.strata:
        count = max(1, round(wanted * len(stratum) / len(whole.rules)))
        numbered = zip(range(count), cycle(stratum), strict=False)
        strata.append(tuple(rule if n < len(stratum) else replace(rule, id=f"{rule.id}_{n}") for n, rule in numbered))
    return replace(whole, strata=tuple(strata))


def stages(service: Server, body: bytes, wanted: int) -> dict[str, float]:
    """Milliseconds of a call by stage, over one connection: the service's own measure, and what is left of the time."""
    loaded(service.url + calls.PATH, body, service.process, connections=1, seconds=wanted)  # Warm from here on.
    before = dict(_sums(service))
    load = loaded(service.url + calls.PATH, body, service.process, connections=1, seconds=wanted)
    each = {
        name: (total - before[name][0]) / (count - before[name][1]) * 1000
        for name, (total, count) in _sums(service)
        if count > before[name][1]
    }
    inside = sum(each[name] for name in ("trust", "fetch", "decide"))
    return {
        "trust": each["trust"],
        "fetch": each["fetch"],
        "decide: reading, rules, cards, resources": each["decide"],
        "checks, parsing and layers around": max(0.0, each["whole"] - inside),
        "HTTP and waiting": max(0.0, load.seconds / load.calls * 1000 - each["whole"]),
    }


def _sums(service: Server) -> Iterator[tuple[str, tuple[float, float]]]:
    """Of each stage the seconds and the calls so far."""
    text = httpx.get(f"{service.url}/metrics").text
    for stage, total in re.findall(r'nuque_stage_seconds_sum\{stage="(\w+)"\} (\S+)', text):
        (count,) = re.findall(rf'nuque_stage_seconds_count{{stage="{stage}"}} (\S+)', text)
        yield stage, (float(total), float(count))
