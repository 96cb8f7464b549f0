"""JSON values without what says nothing."""

from __future__ import annotations

from typing import Any


def without_absent(value: Any) -> Any:
    """``value`` (plain JSON values) without nulls and without empty texts, lists and objects, at any depth.

    A null in a list stays where the object holds a companion list under the same name with ``_`` before it: the two are read
    in step, so a gap has to stay a gap.
    """
    if isinstance(value, dict):
        return _object(value)
    return _list(value) if isinstance(value, list) else value


def _object(value: dict[str, Any]) -> dict[str, Any]:
    cleaned: dict[str, Any] = {}
    for key, item in value.items():
        # Plain values are the most, and no function is called for one.
        if isinstance(item, dict):
            if kept := _object(item):
                cleaned[key] = kept
        elif isinstance(item, list):
            if items := _in_step(item) if _has_companion(key, value) else _list(item):
                cleaned[key] = items
        elif item is not None and item != "":
            cleaned[key] = item
    return cleaned


def _list(items: list[Any]) -> list[Any]:
    cleaned: list[Any] = []
    for item in items:
        if isinstance(item, (dict, list)):
            if parts := without_absent(item):
                cleaned.append(parts)
        elif item is not None and item != "":
            cleaned.append(item)
    return cleaned


def _has_companion(key: str, value: dict[str, Any]) -> bool:
    other = key[1:] if key.startswith("_") else f"_{key}"
    return isinstance(value.get(other), list)


def _in_step(items: list[Any]) -> list[Any]:
    return [without_absent(item) or None if isinstance(item, (dict, list)) else item for item in items]
