"""Work that somebody waits for: in threads that are kept for a while, given up after a moment."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar

import pytest

from cds.storage import deadlines
from cds.storage.deadlines import DeadlineExceeded, DeadlineRunner

SAID: ContextVar[str] = ContextVar("said", default="nothing")


class DownError(Exception):
    """The store is down."""


def test_work_one_after_the_other_is_done_by_one_thread() -> None:
    store = DeadlineRunner(DownError)
    threads = set()
    for _ in range(20):
        threads.add(store.run(threading.get_ident, 10))
        until = time.monotonic() + 10
        while not store._idle and time.monotonic() < until:
            time.sleep(0.001)
    assert len(threads) == 1


def test_work_at_the_same_time_is_done_at_the_same_time() -> None:
    store, together = DeadlineRunner(DownError), threading.Barrier(8, timeout=30)
    with ThreadPoolExecutor(8) as callers:
        for _ in range(5):
            met = callers.map(lambda _: store.run(together.wait, 30), range(8))
            assert sorted(met) == list(range(8))


def test_each_piece_of_work_sees_what_its_caller_set_and_leaves_nothing() -> None:
    store = DeadlineRunner(DownError)

    def replaced() -> str:
        before = SAID.get()
        SAID.set("by the work")
        return before

    SAID.set("by the caller")
    assert [store.run(replaced, 10) for _ in range(3)] == ["by the caller"] * 3


def test_a_thread_ends_that_has_nothing_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deadlines, "_IDLE_SECONDS", 0.01)
    store = DeadlineRunner(DownError)
    thread = store.run(threading.current_thread, 10)
    thread.join(10)
    assert not thread.is_alive() and store._idle == 0
    assert store.run(lambda: "done", 10) == "done"


def test_many_callers_get_what_is_theirs_while_threads_come_and_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deadlines, "_IDLE_SECONDS", 0.0)
    store = DeadlineRunner(DownError)
    with ThreadPoolExecutor(16) as callers:
        found = list(callers.map(lambda number: store.run(lambda: number, 30), range(2_000)))
    assert found == list(range(2_000))


def test_what_does_not_answer_is_given_up_and_tried_by_one_at_a_time() -> None:
    store, answers = DeadlineRunner(DownError), threading.Event()
    with pytest.raises(DeadlineExceeded, match="no answer within"):
        store.run(answers.wait, 0.01)
    with pytest.raises(DeadlineExceeded, match="does not answer"):
        store.run(lambda: True, 10)
    answers.set()
    until = time.monotonic() + 10
    while store._inside and time.monotonic() < until:
        time.sleep(0.001)
    assert store.run(lambda: "again", 10) == "again"
