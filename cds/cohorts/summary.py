"""The counts of a replay: taken part by part, added up, and small however many patients there were."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from cds.cohorts.cohort_reader import Cohort
from rules.batch.polars_backend import Columns

WITHHELD = "withheld"
_MOST_GROUPS = 1000
_MORE = "all others"


@dataclass
class Tally:
    """Counts by kind and name.

    ``groups`` holds, for each unit and each month of decision, how many of each confidence there were, ``sizes`` how many of
    each size class.
    """

    patients: int = 0
    undated: int = 0
    unmeasured: int = 0
    counts: dict[str, Counter[str]] = field(default_factory=dict)
    groups: dict[str, dict[str, Counter[str]]] = field(default_factory=dict)
    sizes: dict[str, dict[str, Counter[str]]] = field(default_factory=dict)
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)

    @classmethod
    def of(cls, columns: Columns, facts: pl.DataFrame, decided: pl.DataFrame) -> Tally:
        """Count ``decided``, the decisions of ``columns`` for the rows of ``facts``."""
        tally = cls(patients=facts.height)
        vocabulary = columns.ruleset.vocabulary
        measured = [axis.fact for axis in columns.ruleset.axes.values() if axis.fact in facts.columns]
        unmeasured = pl.all_horizontal(pl.lit(True), *(pl.col(name).is_null() for name in measured))
        tally.unmeasured = facts.filter(unmeasured).height
        known = facts.select(pl.all().is_not_null().sum()).row(0, named=True)
        observable = [name for name, fact in vocabulary.items() if fact.given != "concluded"]
        tally.counts["known"] = Counter({name: known.get(name, 0) for name in observable})
        axes = [f"{kind}:{axis}" for axis in columns.ruleset.axes for kind in ("axis", "basis")]
        for name in ("size", "confidence", *axes):
            tally.counts[name] = _values(decided[name])
        for kind in ("rule", "hold", "caution", "refused"):
            names = [name for name in decided.columns if name.startswith(f"{kind}:")]
            sums = decided.select(pl.col(names).sum()).row(0, named=True) if names else {}
            tally.counts[kind] = Counter(
                {name.removeprefix(f"{kind}:"): count for name, count in sums.items() if count}
            )
        asked = [name for name in decided.columns if name.startswith("task:")]
        tasks = decided.select(pl.col(asked).is_not_null().sum()).row(0, named=True) if asked else {}
        tally.counts["task"] = Counter({name.removeprefix("task:"): count for name, count in tasks.items()})
        by = {"unit": decided["unit"], "month": decided["at"].dt.strftime("%Y-%m")}
        tally.groups = {name: _by(group, decided["confidence"]) for name, group in by.items()}
        tally.sizes = {name: _by(group, decided["size"]) for name, group in by.items()}
        return tally

    @classmethod
    def of_reading(cls, cohort: Cohort) -> Tally:
        """What is known of ``cohort`` from reading: refusals, undated patients, and how many were read which way."""
        return cls(refused=cohort.refused, undated=cohort.undated, counts={"read by": cohort.ways()})

    def add(self, other: Tally) -> None:
        """Add ``other`` to this one."""
        self.patients += other.patients
        self.undated += other.undated
        self.unmeasured += other.unmeasured
        for name, counter in other.counts.items():
            self.counts.setdefault(name, Counter()).update(counter)
        for mine, others in ((self.groups, other.groups), (self.sizes, other.sizes)):
            for name, groups in others.items():
                _add_groups(mine.setdefault(name, {}), groups)
        for pair, count in other.refused.items():
            listed = pair in self.refused or len(self.refused) < _MOST_GROUPS
            self.refused[pair if listed else (_MORE, _MORE)] += count

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values, largest counts first."""
        return {
            "patients": self.patients,
            "undated": self.undated,
            "unmeasured": self.unmeasured,
            "counts": {name: dict(counter.most_common()) for name, counter in self.counts.items()},
            "groups": _groups_as_json(self.groups),
            "sizes": _groups_as_json(self.sizes),
            "refused": [[fact, reason, count] for (fact, reason), count in self.refused.most_common()],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Tally:
        """What ``as_json`` wrote as ``data``."""
        return cls(
            patients=data["patients"],
            undated=data["undated"],
            unmeasured=data["unmeasured"],
            counts={name: Counter(counts) for name, counts in data["counts"].items()},
            groups=_groups_from_json(data["groups"]),
            sizes=_groups_from_json(data["sizes"]),
            refused=Counter({(fact, reason): count for fact, reason, count in data["refused"]}),
        )


def _values(column: pl.Series) -> Counter[str]:
    counted = column.cast(pl.String).fill_null(WITHHELD).value_counts().rows()
    return Counter({str(value): count for value, count in counted})


Groups = dict[str, Counter[str]]


def _add_groups(mine: Groups, others: Mapping[str, Counter[str]]) -> None:
    for group, counter in others.items():
        key = group if group in mine or len(mine) < _MOST_GROUPS else _MORE
        mine.setdefault(key, Counter()).update(counter)


def _groups_as_json(kinds: Mapping[str, Groups]) -> dict[str, dict[str, dict[str, int]]]:
    return {
        name: {group: dict(counter.most_common()) for group, counter in sorted(groups.items())}
        for name, groups in kinds.items()
    }


def _groups_from_json(kinds: Mapping[str, Mapping[str, Mapping[str, int]]]) -> dict[str, Groups]:
    return {name: {group: Counter(counts) for group, counts in groups.items()} for name, groups in kinds.items()}


def _by(group: pl.Series, what: pl.Series) -> Groups:
    """How often each value of ``what`` there is in each group; null is a size that was withheld."""
    frame = pl.DataFrame(
        {"group": group.cast(pl.String).fill_null("not recorded"), "what": what.cast(pl.String).fill_null(WITHHELD)}
    )
    found: Groups = {}
    for name, value, count in frame.group_by("group", "what").len().rows():
        found.setdefault(name, Counter())[value] = count
    return found


def total(tallies: Iterable[Tally]) -> Tally:
    """The sum of ``tallies``."""
    whole = Tally()
    for tally in tallies:
        whole.add(tally)
    return whole
