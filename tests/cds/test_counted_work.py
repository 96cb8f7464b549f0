"""How much work a call takes, in calls of functions: a count is the same on a fast and on a slow machine, seconds are not.

The bounds lie about a third above what was counted when they were set; whoever exceeds one has made every call slower. With the
knowledge they grow, so most are counted against a quantity of the same run: rules, records, answers tried.
"""

from __future__ import annotations

import asyncio
import gc
import json
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from uuid import uuid4

import pytest

from cds.bootstrap.app import create_app
from cds.hooks.services import SERVICES
from cds.protocol.prefetch import gather
from cds.settings import Settings
from cds.site.content import Content
from cds.strict_json import parse_aside
from cds.web import strict_json_route
from rules.evaluation.durable_engine import Engine
from rules.evaluation.durable_library import durable_rules_engine
from rules.evaluation.interpreter import fire
from tests.cds.hook_calls import MEASURED, OTHER_ORDER, observation, order_select

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
KNOWN = {
    "age_years": 41,
    "neck_height_mm": 66,
    "neck_circumference_mm": 380,
    "head_position": "neutral",
    "bed_rest": False,
}
SETTINGS = Settings()
CONTENT = Content.load(SETTINGS)
RULES = len(CONTENT.ruleset.rules)


def counted(work: Callable[[], object]) -> int:
    """The calls of functions that ``work`` makes, in Python and in C, the second time it is done."""
    work()
    return counted_at_once(work)


def counted_at_once(work: Callable[[], object]) -> int:
    """The same, the first time."""
    calls = 0

    def note(frame: object, event: str, argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(before)
    return calls


def answering(others: int) -> int:
    """The work of an order-select call with ``others`` records of which no rule reads the code."""
    unread = [
        {
            **observation("potassium", 4.0, number=number),
            "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
        }
        for number in range(others)
    ]
    hook = next(hook for hook in SERVICES if hook.id == "collar-order-select")

    def answer() -> Any:
        request = hook.request.model_validate(order_select(*MEASURED, *unread))
        gathered = asyncio.run(gather(request, CONTENT.queries, None))
        answered = hook.answer(request, gathered, CONTENT, SETTINGS, AT)
        assert answered.cards
        return answered.as_json()

    return counted(answer)


@pytest.mark.parametrize(("facts", "most"), [(KNOWN, 5.3), ({"age_years": 41}, 35)], ids=["measured", "hardly known"])
def test_a_decision_takes_a_bounded_amount_of_work_for_each_rule(facts: dict[str, Any], most: float) -> None:
    assert counted(lambda: CONTENT.decider.decide(facts, AT)) < most * RULES


def test_the_engine_is_asked_only_where_a_rule_may_be_true(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each message costs some twenty microseconds, more than all else of its rules."""
    engine = CONTENT.decider._evaluator
    assert isinstance(engine, Engine)
    sent: list[int] = []
    ask = durable_rules_engine.assert_fact

    def noted(handle: int, message: str) -> object:
        sent.append(handle)
        return ask(handle, message)

    monkeypatch.setattr(durable_rules_engine, "assert_fact", noted)
    fired = engine.fire(KNOWN).fired
    assert fired == fire(CONTENT.ruleset, KNOWN).fired
    assert 0 < len(sent) == len(set(sent)) < 0.8 * len(engine._handles)
    assert len(engine._handles) < RULES / 20


def test_trace_and_assessments_are_written_for_whoever_reads_them_only() -> None:
    decided = counted(lambda: CONTENT.decider.decide(KNOWN, AT))
    assert counted(lambda: CONTENT.decider.decide(KNOWN, AT).as_json()) > 2.5 * decided


def test_trying_answers_takes_a_fraction_of_deciding_anew() -> None:
    sizer = CONTENT.decider._prospects.__self__  # type: ignore[attr-defined]
    firing, facts = fire(sizer.ruleset, {"age_years": 41}), {"age_years": 41}
    answers = sizer._answers(("neck_height_mm",))
    assert len(answers) > 5
    tried = counted(lambda: list(sizer._changes.pictures(facts, firing, ("neck_height_mm",), answers)))
    anew = counted(lambda: [sizer.size({**facts, **answer}) for answer in answers])
    assert tried < anew / 2


def test_a_record_that_no_rule_reads_costs_little() -> None:
    few, many = answering(10), answering(110)
    assert (many - few) / 100 < 52


def test_an_answer_takes_a_bounded_amount_of_work() -> None:
    assert answering(30) < 20 * RULES


async def called(app: Any, body: bytes) -> bytes:
    """What ``app`` answers to a call of order-select, from the bytes that came to those that go."""
    headers = [(b"host", b"localhost"), (b"content-type", b"application/json")]
    scope = {"type": "http", "method": "POST", "path": "/cds-services/collar-order-select", "headers": headers}
    scope |= {"http_version": "1.1", "scheme": "http", "query_string": b"", "client": None, "server": None}
    came = iter([{"type": "http.request", "body": body}])
    sent: list[Any] = []

    async def receive() -> Any:
        return next(came, None) or await asyncio.Event().wait()

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return b"".join(message.get("body", b"") for message in sent)


def test_a_call_that_concerns_nobody_takes_a_fraction_of_an_answer(store_url: str) -> None:
    """With the log, the counters and the trail; the answer alone."""
    body = json.dumps(order_select(*MEASURED, drafts=(OTHER_ORDER,))).encode()
    app = create_app(SETTINGS)
    answers: list[bytes] = []
    with asyncio.Runner() as runner:
        work = counted(lambda: answers.append(runner.run(called(app, body))))
    assert answers == [b'{"cards":[]}'] * 2
    assert work < answering(0) / 4


class Noting:
    """A memory of cards that notes which threads ask it and how many bodies were read and are not answered yet."""

    def __init__(self) -> None:
        self.threads: set[int] = set()
        self.read = self.most_read = 0

    async def parsed(self, body: bytes, **more: Any) -> Any:
        self.read += 1
        self.most_read = max(self.most_read, self.read)
        return await parse_aside(body, **more)

    def stays_silent(self, *asked: Any) -> bool:
        self.threads.add(threading.get_ident())
        return False

    def remember(self, *issued: Any) -> None:
        self.read -= 1


@pytest.mark.parametrize("others", [0, 400], ids=["short", "long"])
def test_calls_that_come_at_once_hold_memory_for_a_few_of_them_only(
    others: int, monkeypatch: pytest.MonkeyPatch, store_url: str
) -> None:
    noting, calls = Noting(), 12
    monkeypatch.setattr(strict_json_route, "parse_aside", noting.parsed)
    app = create_app(SETTINGS, memory=noting)
    body = json.dumps(order_select(*MEASURED, *(observation("neck-line", False, number=n) for n in range(others))))

    async def at_once() -> list[bytes]:
        return await asyncio.gather(*(called(app, body.encode()) for _ in range(calls)))

    with asyncio.Runner() as runner:
        answers = runner.run(at_once())
    assert [b'"uuid"' in answer for answer in answers] == [True] * calls
    assert noting.read == 0
    assert 1 <= len(noting.threads) <= 3  # Two that decide and one that reads long bodies take turns.
    assert noting.most_read <= (4 if others else calls)


def test_calls_leave_nothing_behind_in_memory(store_url: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("ERROR")  # The lines of a test are kept, and would be counted.
    app = create_app(SETTINGS)
    sent = order_select(*MEASURED)

    def objects_after(calls: int) -> int:
        for _ in range(calls):
            assert b'"uuid"' in runner.run(called(app, json.dumps({**sent, "hookInstance": str(uuid4())}).encode()))
        assert app.state.service.memory._cards._writer.flush(10)
        gc.collect()
        return len(gc.get_objects())

    with asyncio.Runner() as runner:
        objects = [objects_after(40) for _ in range(4)]
    # What is made once, for a statement of the database or a thread, comes with some calls; what stays of each, with all of them.
    assert min(after - before for before, after in pairwise(objects)) < 20


def test_the_first_decision_takes_hardly_more_work_than_the_tenth() -> None:
    fresh = Content.load(SETTINGS)
    first = counted_at_once(lambda: fresh.decider.decide(KNOWN, AT))
    later = [counted_at_once(lambda: fresh.decider.decide(KNOWN, AT)) for _ in range(9)]
    assert first < 1.2 * later[-1]
