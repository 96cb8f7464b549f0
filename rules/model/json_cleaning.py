"""JSON values without what says nothing."""

from __future__ import annotations

from typing import Any


def without_absent(value: Any) -> Any:
    """``value`` (plain JSON values) without nulls and without empty texts, lists and objects, at any depth.

    A null in a list stays where the object holds a companion list under the same name with ``_`` before it: the two are read
    in step, so a gap has to stay a gap.
    """
    if isinstance(value, dict):
        cleaned = {
            key: _in_step(item) if isinstance(item, list) and _has_companion(key, value) else without_absent(item)
            for key, item in value.items()
        }
        return {key: item for key, item in cleaned.items() if not _absent(item)}
    if isinstance(value, list):
        return [item for item in map(without_absent, value) if not _absent(item)]
    return value


def _has_companion(key: str, value: dict[str, Any]) -> bool:
    other = key[1:] if key.startswith("_") else f"_{key}"
    return isinstance(value.get(other), list)


def _in_step(items: list[Any]) -> list[Any]:
    return [without_absent(item) or None if isinstance(item, (dict, list)) else item for item in items]


def _absent(item: Any) -> bool:
    return item is None or (isinstance(item, (str, list, dict)) and not item)
