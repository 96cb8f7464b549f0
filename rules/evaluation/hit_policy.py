"""The hit policy of the size class: which of the offered values wins on each axis, and when no size is given.

On each axis the offers with the strongest basis (measured, observed, assumed) count; among these the highest rule
priority; what remains are the candidates: those that a rule offers first, then the others, each smallest first.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rules.model.decision import Candidate, SizeClass
from rules.model.ruleset import BASES, Axis, Basis, Hold, Rule, Ruleset, Weight

_MOST_CANDIDATES = 6
IF_NOT_THE_FIRST = "if the first does not fit: "
"""How the reason for every candidate but the first begins."""

Picture = tuple[tuple[str, ...], ...]
"""The first value on each axis (empty where none is offered), then the texts of the reasons to withhold a size."""


@dataclass(frozen=True)
class AxisChoice:
    """The outcome on one axis: candidates in the order to try (empty where nothing was offered), and the rules behind it.

    ``place`` is where the first candidate stands in the order of the axis (``Axis.place``).
    """

    candidates: tuple[str, ...]
    basis: Basis | None
    priority: int
    rules: tuple[str, ...]
    place: int = 0


@dataclass(frozen=True)
class Sizing:
    """All axes, and the reasons to withhold a size."""

    axes: Mapping[str, AxisChoice]
    holds: tuple[tuple[Rule, Hold], ...]

    @property
    def withheld(self) -> bool:
        """Whether no size class is given."""
        return bool(self.holds) or any(not choice.candidates for choice in self.axes.values())

    @property
    def outcome(self) -> tuple[str, ...] | None:
        """The first value on each axis, or None where the size is withheld."""
        return None if self.withheld else tuple(choice.candidates[0] for choice in self.axes.values())

    @property
    def picture(self) -> Picture:
        """What two sizings are told apart by."""
        firsts = (choice.candidates[:1] for choice in self.axes.values())
        return (*firsts, tuple(sorted({hold.text for _, hold in self.holds})))


def choose(ruleset: Ruleset, fired: Iterable[Rule]) -> Sizing:
    """Apply the hit policy to the rules that ``fired``; ``ruleset`` holds the axes and what each rule offers on them."""
    offered: dict[str, list[tuple[Weight, str]]] = {name: [] for name in ruleset.axes}
    holds: list[tuple[Rule, Hold]] = []
    for rule in fired:
        for axis, weight in ruleset.offers.get(rule.id, ()):
            offered[axis].append((weight, rule.id))
        holds += [(rule, hold) for hold in rule.then.holds]
    return Sizing(
        axes={name: _choose_axis(axis, offered[name]) for name, axis in ruleset.axes.items()}, holds=tuple(holds)
    )


def _choose_axis(axis: Axis, offers: list[tuple[Weight, str]]) -> AxisChoice:
    if not offers:
        return AxisChoice((), None, 0, ())
    best, _ = min(weight for weight, _ in offers)
    top = [(place, rule) for (strength, place), rule in offers if strength == best]
    places = sorted({place for place, _ in top})
    values = tuple(dict.fromkeys(map(axis.value_at, places)))
    return AxisChoice(values, BASES[best[0]], -best[1], tuple(dict.fromkeys(rule for _, rule in top)), places[0])


def size_class(ruleset: Ruleset, values: Mapping[str, str], condition: str | None = None) -> SizeClass:
    """The size class with ``values`` on the axes, written short and in words, after the ``condition`` under which it holds.

    ``values`` has one for each axis of ``ruleset``, by the name of the axis.
    """
    shown = [
        (value, axis.words[value]) for name, axis in ruleset.axes.items() if (value := values[name]) != axis.silent
    ]
    return SizeClass(
        values=dict(values),
        code=" ".join(value for value, _ in shown),
        words=f"{condition}: " * bool(condition) + ", ".join(words for _, words in shown),
        condition=condition,
    )


def read_size_class(ruleset: Ruleset, code: str) -> dict[str, str]:
    """The values behind a size class as it is written in ``code`` (``adult H3 G2 recumbent``), by the name of the axis.

    Raises ValueError where ``code`` is not a size class of ``ruleset``.
    """
    values: dict[str, str] = {}
    words = code.split()
    for name, axis in ruleset.axes.items():
        if words and words[0] in axis.values:
            values[name] = words.pop(0)
        elif axis.silent is not None:
            values[name] = axis.silent
        else:
            raise ValueError(f"{code!r} is not a size class: expected a {axis.title}, one of {', '.join(axis.values)}")
    if words:
        raise ValueError(f"{code!r} is not a size class: {' '.join(words)!r} is too much")
    return values


def candidates(ruleset: Ruleset, sizing: Sizing) -> tuple[Candidate, ...]:
    """The size classes to try, in order: fewest steps away from the first. Empty where the size is withheld.

    ``sizing`` is the outcome of the hit policy, for the axes of ``ruleset``.
    """
    if sizing.withheld:
        return ()
    names = list(sizing.axes)
    options = itertools.product(*(range(len(sizing.axes[name].candidates)) for name in names))
    ordered = sorted(options, key=lambda steps: (sum(steps), steps))[:_MOST_CANDIDATES]
    condition = _condition(ruleset, sizing)
    return tuple(
        Candidate(
            size_class=size_class(
                ruleset,
                {name: sizing.axes[name].candidates[step] for name, step in zip(names, steps, strict=True)},
                condition,
            ),
            why=_why(ruleset, sizing, steps, many=len(ordered) > 1),
        )
        for steps in ordered
    )


def _condition(ruleset: Ruleset, sizing: Sizing) -> str | None:
    """Under which condition the size holds, where a value with a condition is only assumed."""
    found = (
        axis.conditions.get(sizing.axes[name].candidates[0])
        for name, axis in ruleset.axes.items()
        if sizing.axes[name].basis == "assumed"
    )
    return ", ".join(words for words in found if words) or None


def _why(ruleset: Ruleset, sizing: Sizing, steps: tuple[int, ...], *, many: bool) -> str:
    if not many:
        return "the only size that fits what is known"
    if not any(steps):
        likely = any(
            choice.candidates[0] != min(choice.candidates, key=ruleset.axes[name].rank)
            for name, choice in sizing.axes.items()
        )
        return f"the {'most probable' if likely else 'smallest'} of the neighbouring sizes: try it first"
    return IF_NOT_THE_FIRST + ", ".join(_moves(ruleset, sizing, steps))


def _moves(ruleset: Ruleset, sizing: Sizing, steps: tuple[int, ...]) -> Iterator[str]:
    """``girth 1 step up`` for each axis on which a candidate differs from the first."""
    for (name, choice), step in zip(sizing.axes.items(), steps, strict=True):
        rank = ruleset.axes[name].rank
        by = rank(choice.candidates[step]) - rank(choice.candidates[0])
        if by:
            yield f"{ruleset.axes[name].title} {abs(by)} step{'s' if abs(by) > 1 else ''} {'up' if by > 0 else 'down'}"


def sizing_part(ruleset: Ruleset) -> Ruleset:
    """``ruleset`` with only the rules that offer or withhold sizes, and the rules that conclude what these read."""
    return ruleset.part(lambda rule: bool(rule.then.sizes or rule.then.holds))
