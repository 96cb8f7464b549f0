"""What lasts is left out of the garbage collector's work, and goes all the same once it is replaced."""

import gc
import weakref
from collections.abc import Iterator

import pytest

from cds.site.lasting_objects import made_to_last, replaced


class Ring:
    """Refers to itself, so that only the collector can tell that nobody else does."""

    def __init__(self) -> None:
        self.itself = self


@pytest.fixture(autouse=True)
def the_collector_as_it_was() -> Iterator[None]:
    threshold = gc.get_threshold()
    yield
    gc.unfreeze()
    gc.set_threshold(*threshold)


def test_what_is_made_to_last_is_not_looked_through() -> None:
    with made_to_last():
        lasting = Ring()
    assert gc.isenabled()
    assert all(each is not lasting for each in gc.get_objects())


def test_what_was_made_to_last_goes_when_it_is_replaced() -> None:
    with made_to_last():
        lasting = weakref.ref(Ring())
    gc.collect()
    assert lasting() is not None
    replaced()
    assert lasting() is None


def test_the_collector_works_again_after_a_failure() -> None:
    with pytest.raises(ValueError, match="broken"), made_to_last():
        raise ValueError("broken")
    assert gc.isenabled()
