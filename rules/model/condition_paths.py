"""Parts of a condition by their path: the positions of children from the root down."""

from __future__ import annotations

from collections.abc import Iterator

from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Known, NoneOf, Unknown

ConditionPath = tuple[int, ...]

ALWAYS = AllOf(())
"""A condition that is true for everybody."""
NEVER = AnyOf(())
"""A condition that is false for everybody."""


def parts(condition: Condition, path: ConditionPath = ()) -> Iterator[tuple[ConditionPath, Condition]]:
    """Every part of ``condition``, the whole first, in reading order."""
    yield path, condition
    for index, child in enumerate(children(condition)):
        yield from parts(child, (*path, index))


def children(condition: Condition) -> tuple[Condition, ...]:
    """The parts directly below ``condition``."""
    match condition:
        case AllOf(found) | AnyOf(found) | NoneOf(found):
            return found
        case Compare() | Known() | Unknown():
            return ()


def replaced(condition: Condition, path: ConditionPath, part: Condition) -> Condition:
    """``condition`` with the part under ``path`` exchanged for ``part``."""
    if not path:
        return part
    head, rest = path[0], path[1:]
    below = tuple(
        replaced(child, rest, part) if index == head else child for index, child in enumerate(children(condition))
    )
    assert isinstance(condition, (AllOf, AnyOf, NoneOf))
    return type(condition)(below)


def dropped(condition: AllOf | AnyOf | NoneOf, index: int) -> Condition:
    """``condition`` without its child at ``index``."""
    return type(condition)((*condition.children[:index], *condition.children[index + 1 :]))
