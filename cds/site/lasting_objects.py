"""What is loaded lasts, so the garbage collector leaves it out: else it looks through all of it every few dozen calls."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

_NEW_OBJECTS = 20_000
"""So many more are made than are let go before the collector looks: hardly any object of a call is still there then."""


@contextmanager
def made_to_last() -> Iterator[None]:
    """What is made in the block lasts, and nothing is looked for while it is made."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.set_threshold(_NEW_OBJECTS)
        gc.enable()


def replaced() -> None:
    """Something that lasted was replaced: what of it refers to itself goes now, and what took its place lasts."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()
