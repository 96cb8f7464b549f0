"""Of threads that take turns one works at a time, and who waits lets another go on."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from cds.protocol.turns import Turn, others_go_on

PATIENCE = 30


def test_one_works_at_a_time() -> None:
    turn, inside, most = Turn(), 0, 0

    def work(_: int) -> None:
        nonlocal inside, most
        with turn.taken():
            inside += 1
            most = max(most, inside)
            threading.Event().wait(0.001)
            inside -= 1

    with ThreadPoolExecutor(8) as threads:
        list(threads.map(work, range(40)))
    assert (inside, most) == (0, 1)


def test_who_waits_lets_another_go_on_and_then_has_the_turn_again() -> None:
    turn, waits, other_is_done = Turn(), threading.Event(), threading.Event()
    order: list[str] = []

    def first() -> None:
        with turn.taken():
            with others_go_on():
                waits.set()
                assert other_is_done.wait(PATIENCE)
            order.append("first")

    def second() -> None:
        assert waits.wait(PATIENCE)
        with turn.taken():
            order.append("second")
        other_is_done.set()

    with ThreadPoolExecutor(2) as threads:
        for done in [threads.submit(first), threads.submit(second)]:
            done.result(PATIENCE)
    assert order == ["second", "first"]


def test_a_turn_ends_with_an_error_too() -> None:
    turn = Turn()
    with pytest.raises(RuntimeError), turn.taken(), others_go_on():
        raise RuntimeError
    with ThreadPoolExecutor(1) as threads:
        assert threads.submit(lambda: turn.taken().__enter__()).result(PATIENCE) is None


def test_outside_of_a_turn_there_is_nothing_to_let_go() -> None:
    with others_go_on() as nothing:
        assert nothing is None
