"""The report of ``nuque rules replay``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import groupby

from cds.cohorts.summary import WITHHELD, Tally
from cds.reports.report_blocks import Bar, Bars, Block, Node, Report, Stacks, Table, Tree, Words, about, count
from rules.evaluation.hit_policy import sizing_part
from rules.model.ruleset import BASES, Ruleset

_MOST_SHOWN = 40
_MOST_SIZES = 4


def replayed(ruleset: Ruleset, tally: Tally, source: str, left_out: tuple[str, ...] = ()) -> Report:
    """What ``tally`` counts of a whole cohort: how many could be sized and how well, by size, month and unit; what was missing.

    ``ruleset`` has the words, ``source`` says what was read, and ``left_out`` names the files that were not.
    """
    blocks: list[Block] = [Words(_plainly(ruleset, tally))]
    blocks += [_bars("How sure the size is", _share(tally.counts.get("confidence", Counter()), tally.patients))]
    blocks += _by_axis(ruleset, tally)
    for axis in ruleset.axes.values():
        found = tally.counts.get(f"axis:{axis.name}", Counter())
        ordered = {value: found.get(value, 0) for value in (*axis.values, WITHHELD)}
        blocks.append(_bars(f"{axis.title.capitalize()}: the value to try first", _share(ordered, tally.patients)))
    blocks.append(_ranked("Size classes", "size class", tally.counts.get("size", Counter()), tally.patients))
    for name in tally.groups:
        blocks += _by_group(name, tally.groups[name], tally.sizes[name])
    blocks += [
        _ranked(title, what, _in_words(ruleset, kind, tally.counts.get(kind, Counter())), tally.patients)
        for title, what, kind in (
            ("No size: the reasons", "reason", "hold"),
            ("Cautions", "caution", "caution"),
            ("Tasks", "task", "task"),
            ("Conclusions not drawn because they would be implausible", "fact and rule", "refused"),
        )
    ]
    blocks += [*_missing(ruleset, tally), _refused(tally), _silent(ruleset, tally)]
    if left_out:
        blocks.append(Table("Files that were not read", ("file",), [(name,) for name in left_out]))
    withheld = tally.counts.get("confidence", Counter()).get(WITHHELD, 0)
    return Report(
        title="Replay over a cohort",
        about=about(ruleset),
        summary=(
            f"{source}: {count(tally.patients, 'patient')} decided, {tally.patients - withheld} with a size, "
            f"{withheld} without; {tally.unmeasured} with no usable neck measurement."
        ),
        findings=0,
        blocks=blocks,
        data={"source": source, "left_out": list(left_out), **tally.as_json()},
    )


def _plainly(ruleset: Ruleset, tally: Tally) -> str:
    """What the figures can and cannot be taken for."""
    if not tally.patients:
        return "Nobody could be decided: no patient with a dated record was found."
    measured = tally.patients - tally.unmeasured
    assumed = tally.counts.get("confidence", Counter()).get("assumed", 0)
    parts = [
        f"Of {count(tally.patients, 'patient')}, {measured} ({_percent(measured, tally.patients)}) have a usable neck height or "
        "circumference in millimetres on record."
    ]
    if measured < tally.patients / 2 and assumed > tally.patients / 2:
        parts.append(
            f"Most have no neck data, so the sizes below rest on stand-ins ({_stand_ins(ruleset, tally)}): they say what the "
            "rules would start with, not what would fit."
        )
    parts.append("Everybody is decided as if a collar had been asked for; nothing here says who needs one.")
    if tally.undated:
        parts.append(
            f"{count(tally.undated, 'patient')} left out: nothing about them is dated, and no moment was given."
        )
    ways = tally.counts.get("read by", Counter())
    if ways.total():
        parts.append(
            f"{count(ways['columns'], 'patient')} were read by columns, {ways['records']} record by record (something in their "
            "records is damaged, refused or unusual); both ways give the same."
        )
    return " ".join(parts)


def _stand_ins(ruleset: Ruleset, tally: Tally) -> str:
    """What the sizing rules read besides the measurements, as far as anybody has it on record, most frequent first."""
    measures = {axis.fact for axis in ruleset.axes.values()}
    read = sizing_part(ruleset).facts_read - measures
    known = [(name, number) for name, number in tally.counts["known"].most_common() if name in read and number]
    shown = [f"{ruleset.vocabulary[name].label} {_percent(number, tally.patients)}" for name, number in known[:6]]
    return ", ".join(shown) or "nothing is on record at all"


def _share(counts: Mapping[str, int], whole: int) -> list[Bar]:
    order = [*BASES, WITHHELD]
    names = sorted(counts, key=order.index) if set(counts) <= set(order) else list(counts)
    return [Bar("no size" if name == WITHHELD else name.replace("_", " "), counts[name], whole) for name in names]


def _bars(title: str, bars: list[Bar]) -> Bars:
    return Bars(title, bars, "patients")


def _in_words(ruleset: Ruleset, kind: str, counts: Counter[str]) -> Counter[str]:
    """``counts`` by the titles of tasks, and by holds whose kind and axis are words."""
    found: Counter[str] = Counter()
    for name, number in counts.items():
        head, colon, text = name.partition(": ")
        if kind == "task":
            found[ruleset.tasks[name].title] += number
        elif kind == "hold":
            found[head.replace("_", " ") + colon + text] += number
        else:
            found[name] += number
    return found


def _ranked(title: str, what: str, counts: Counter[str], whole: int) -> Table:
    shown = [(name, number) for name, number in counts.most_common() if number]
    more = f" (the {_MOST_SHOWN} most frequent of {len(shown)})" if len(shown) > _MOST_SHOWN else ""
    rows = [
        ("no size" if name == WITHHELD else name, str(number), _percent(number, whole))
        for name, number in shown[:_MOST_SHOWN]
    ]
    return Table(title + more, (what, "patients", "share"), rows)


def _by_axis(ruleset: Ruleset, tally: Tally) -> list[Block]:
    """What stands behind the value on each axis; the whole size is as sure as the least sure of them."""
    names = (*BASES, "no size")
    counted = []
    for axis in ruleset.axes.values():
        found = tally.counts.get(f"basis:{axis.name}", Counter())
        counted.append((axis.title, tuple(found.get(name, 0) for name in (*BASES, WITHHELD))))
    shares = [(title, *(_percent(one, tally.patients) for one in numbers)) for title, numbers in counted]
    title = "How sure each part of the size is"
    return [Stacks(title, names, counted), Table(f"{title}, in figures", ("part", *names), shares)]


def _by_group(what: str, groups: Mapping[str, Counter[str]], sizes: Mapping[str, Counter[str]]) -> list[Block]:
    """How sure the size is and which sizes there are, group by group: units by their number of patients, months in order."""
    columns = (*BASES, WITHHELD)
    order = sorted(groups) if what == "month" else sorted(groups, key=lambda group: (-groups[group].total(), group))
    shown = order[-_MOST_SHOWN:] if what == "month" else order[:_MOST_SHOWN]
    more = f" ({len(shown)} of {len(order)} shown)" if len(order) > len(shown) else ""
    names = (*BASES, "no size")
    counted = [(group, tuple(groups[group].get(name, 0) for name in columns)) for group in shown]
    return [
        Stacks(f"How sure the size is, by {what}{more}", names, counted),
        Table(
            f"By {what}: how sure the size is{more}",
            (what, "patients", *names),
            [(group, str(sum(found)), *(_percent(one, sum(found)) for one in found)) for group, found in counted],
        ),
        Table(
            f"By {what}: the sizes{more}",
            (what, "patients", "most frequent sizes"),
            [(group, str(sizes[group].total()), _most_frequent(sizes[group])) for group in shown],
        ),
    ]


def _most_frequent(sizes: Counter[str]) -> str:
    named = [
        f"{'no size' if size == WITHHELD else size} {_percent(number, sizes.total())}"
        for size, number in sizes.most_common(_MOST_SIZES)
    ]
    others = sizes.total() - sum(number for _, number in sizes.most_common(_MOST_SIZES))
    return ", ".join([*named, *([f"others {_percent(others, sizes.total())}"] if others else [])])


def _missing(ruleset: Ruleset, tally: Tally) -> list[Block]:
    """How often each fact is missing, those that nobody has on record last and by name only."""
    known = tally.counts.get("known", Counter())
    rows = [
        (
            ruleset.vocabulary[name].label,
            name,
            str(tally.patients - number),
            _percent(tally.patients - number, tally.patients),
        )
        for name, number in known.most_common()
        if number
    ]
    never = sorted(f"{ruleset.vocabulary[name].label} ({name})" for name, number in known.items() if not number)
    return [
        Table(
            "How often each fact is missing",
            ("fact", "name", "missing in", "share"),
            rows,
            empty="no fact is on record",
        ),
        _folded("Facts that are on record for nobody", count(len(never), "fact"), never),
    ]


def _silent(ruleset: Ruleset, tally: Tally) -> Tree:
    fired = tally.counts.get("rule", Counter())
    silent = [rule for rule in ruleset.rules if not fired[rule]]
    topics = {topic: list(rules) for topic, rules in groupby(sorted(silent), key=lambda rule: rule.split(".")[0])}
    whole = Counter(rule.split(".")[0] for rule in ruleset.rules)
    nodes = [
        Node(
            f"{topic.replace('_', ' ')}: {len(rules)} of {count(whole[topic], 'rule')}",
            None,
            tuple(Node(f"{ruleset.rules[rule].title} ({rule})") for rule in rules),
        )
        for topic, rules in topics.items()
    ]
    return Tree("Rules that fired for nobody", nodes or [Node("none")], opened=0)


def _folded(title: str, summary: str, names: Sequence[str]) -> Tree:
    return Tree(title, [Node(summary, None, tuple(map(Node, names)))], opened=0)


def _refused(tally: Tally) -> Table:
    rows = [(fact, reason, str(number)) for (fact, reason), number in tally.refused.most_common(_MOST_SHOWN)]
    more = f" (the {_MOST_SHOWN} most frequent)" if len(tally.refused) > _MOST_SHOWN else ""
    return Table("Seen and refused" + more, ("fact", "why", "records"), rows)


def _percent(part: int, whole: int) -> str:
    return f"{part / whole:.1%}" if whole else "–"
