"""The report of ``nuque rules replay``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from cds.cohorts.tally import WITHHELD, Tally
from cds.reports.about import about, count
from cds.reports.blocks import Bar, Bars, Block, Report, Table, Words
from rules.ruleset import BASES, Ruleset

_MOST_SHOWN = 40


def replayed(ruleset: Ruleset, tally: Tally, source: str, left_out: tuple[str, ...] = ()) -> Report:
    """What came out for a whole cohort: how many could be sized and how well, by size, month and unit; and what was missing."""
    blocks: list[Block] = [Words(_plainly(tally))]
    blocks += [_bars("How sure the size is", _share(tally.counts.get("confidence", Counter()), tally.patients))]
    for axis in ruleset.axes.values():
        found = tally.counts.get(f"axis:{axis.name}", Counter())
        ordered = {value: found.get(value, 0) for value in (*axis.values, WITHHELD)}
        blocks.append(_bars(f"{axis.title.capitalize()}: the value to try first", _share(ordered, tally.patients)))
    blocks.append(_ranked("Size classes", "size class", tally.counts.get("size", Counter()), tally.patients))
    blocks += [_by_group(f"By {name}", name, groups) for name, groups in tally.groups.items()]
    blocks += [
        _ranked(title, what, tally.counts.get(kind, Counter()), tally.patients)
        for title, what, kind in (
            ("No size: the reasons", "reason", "hold"),
            ("Cautions", "caution", "caution"),
            ("Tasks", "task", "task"),
            ("Conclusions not drawn because they would be implausible", "fact and rule", "refused"),
        )
    ]
    blocks += [_missing(ruleset, tally), _refused(tally)]
    silent = [rule for rule in ruleset.rules if not tally.counts.get("rule", Counter())[rule]]
    blocks.append(Table("Rules that fired for nobody", ("rule",), [(rule,) for rule in silent]))
    if left_out:
        blocks.append(Table("Files that were not read", ("file",), [(name,) for name in left_out]))
    withheld = tally.counts.get("confidence", Counter()).get(WITHHELD, 0)
    return Report(
        title="Replay over a cohort",
        about=about(ruleset),
        summary=(
            f"{source}: {count(tally.patients, 'patient')} decided, {tally.patients - withheld} with a size, "
            f"{withheld} without; {tally.unmeasured} with no neck measurement at all."
        ),
        findings=0,
        blocks=blocks,
        data={"source": source, "left_out": list(left_out), **tally.as_json()},
    )


def _plainly(tally: Tally) -> str:
    """What the figures can and cannot be taken for."""
    if not tally.patients:
        return "Nobody could be decided: no patient with a dated record was found."
    measured = tally.patients - tally.unmeasured
    parts = [
        f"Of {count(tally.patients, 'patient')}, {measured} ({_percent(measured, tally.patients)}) have a neck height or "
        "circumference in millimetres on record."
    ]
    if measured < tally.patients / 2:
        parts.append(
            "Most have no neck data, so the sizes below rest on stand-ins such as age, sex and body mass index: they say "
            "what the rules would start with, not what would fit."
        )
    if tally.undated:
        parts.append(
            f"{count(tally.undated, 'patient')} left out: nothing about them is dated, and no moment was given."
        )
    return " ".join(parts)


def _share(counts: Mapping[str, int], whole: int) -> list[Bar]:
    order = [*BASES, WITHHELD]
    names = sorted(counts, key=order.index) if set(counts) <= set(order) else list(counts)
    return [Bar("no size" if name == WITHHELD else name, counts[name], whole) for name in names]


def _bars(title: str, bars: list[Bar]) -> Bars:
    return Bars(title, bars, "patients")


def _ranked(title: str, what: str, counts: Counter[str], whole: int) -> Table:
    shown = [(name, number) for name, number in counts.most_common() if number]
    more = f" (the {_MOST_SHOWN} most frequent of {len(shown)})" if len(shown) > _MOST_SHOWN else ""
    rows = [
        ("no size" if name == WITHHELD else name, str(number), _percent(number, whole))
        for name, number in shown[:_MOST_SHOWN]
    ]
    return Table(title + more, (what, "patients", "share"), rows)


def _by_group(title: str, what: str, groups: Mapping[str, Counter[str]]) -> Table:
    columns = (*BASES, WITHHELD)
    rows = [
        (group, str(counts.total()), *(_percent(counts.get(name, 0), counts.total()) for name in columns))
        for group, counts in sorted(groups.items())
    ]
    return Table(title, (what, "patients", *BASES, "no size"), rows)


def _missing(ruleset: Ruleset, tally: Tally) -> Table:
    known = tally.counts.get("known", Counter())
    rows = [
        (
            ruleset.vocabulary[name].label,
            name,
            str(tally.patients - number),
            _percent(tally.patients - number, tally.patients),
        )
        for name, number in sorted(known.items(), key=lambda item: item[1])
    ]
    return Table("How often each fact is missing", ("fact", "name", "missing in", "share"), rows)


def _refused(tally: Tally) -> Table:
    rows = [(fact, reason, str(number)) for (fact, reason), number in tally.refused.most_common(_MOST_SHOWN)]
    more = f" (the {_MOST_SHOWN} most frequent)" if len(tally.refused) > _MOST_SHOWN else ""
    return Table("Seen and refused" + more, ("fact", "why", "records"), rows)


def _percent(part: int, whole: int) -> str:
    return f"{part / whole:.1%}" if whole else "–"
