"""Several processes on one port: one service to whoever calls, watches, reloads or stops it."""

from __future__ import annotations

import json
import os
import re
import signal
import time
import uuid
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

from tests.cds.content_folder import soon_checked, write_version
from tests.cds.hook_calls import observation, order_select
from tests.cds.live_service import CHECK_SECONDS, PATIENCE_SECONDS, LiveService, running

pytestmark = pytest.mark.slow

WORKERS = 2
ADMIN = "a" * 40
SELECT = "/cds-services/collar-order-select"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return soon_checked(tmp_path_factory.mktemp("content"))


@pytest.fixture(scope="module")
def kept_verdicts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of this module alone: what other tests have checked is checked here again."""
    return tmp_path_factory.mktemp("verdicts")


@pytest.fixture(scope="module")
def live(folder: Path, kept_verdicts: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveService]:
    kept = f"sqlite:///{tmp_path_factory.mktemp('store') / 'store.sqlite3'}"
    options = ("--workers", str(WORKERS), "--knowledge", str(folder))
    given = {"NUQUE_STORE_URL": kept, "NUQUE_VERDICTS": str(kept_verdicts), "NUQUE_ADMIN_TOKEN": ADMIN}
    with running(*options, **given) as started:
        yield started


def workers(live: LiveService) -> set[int]:
    return {child.pid for child in psutil.Process(live.process.pid).children()}


def accepted_by(live: LiveService, port: int) -> int | None:
    """The worker that has the connection from ``port``; None where it is closed again."""
    for worker in workers(live):
        if any(one.raddr and one.raddr.port == port for one in psutil.Process(worker).net_connections("tcp")):
            return worker
    return None


@contextmanager
def one_client_of_each(live: LiveService) -> Iterator[dict[int, httpx.Client]]:
    """A client for each worker: a connection stays with the one that has accepted it."""
    found: dict[int, httpx.Client] = {}
    until = time.monotonic() + CHECK_SECONDS
    with ExitStack() as opened:
        while set(found) != workers(live) and time.monotonic() < until:
            client = opened.enter_context(httpx.Client(base_url=live.url, timeout=CHECK_SECONDS))
            stream = client.get("/health/live").extensions["network_stream"]
            worker = accepted_by(live, stream.get_extra_info("client_addr")[1])
            if worker is not None:
                found.setdefault(worker, client)
        assert len(found) == WORKERS
        yield found


def eventually(is_so: Any) -> bool:
    until = time.monotonic() + CHECK_SECONDS
    while not (true := is_so()) and time.monotonic() < until:
        time.sleep(0.1)
    return bool(true)


def test_whichever_worker_is_asked_knows_what_all_have_counted_and_kept(live: LiveService) -> None:
    now = datetime.now(UTC).isoformat()
    measured = (observation("neck-height", 66, time=now), observation("neck-circumference", 380, time=now))
    with one_client_of_each(live) as found:
        check_that_all_know(list(found.values()), measured, now)


def check_that_all_know(clients: list[httpx.Client], measured: Sequence[dict[str, Any]], now: str) -> None:
    answers = [client.post(SELECT, json=order_select(*measured)).json()["cards"] for client in clients]
    counted = re.compile(rf'nuque_answers_total{{route="{SELECT}",status="200"}} (\d+)')
    totals = [counted.findall(client.get("/metrics").text) for client in clients]
    assert totals == [[f"{WORKERS}.0".removesuffix(".0")]] * WORKERS
    # Feedback on the card of the first, sent to the second, silences the repeat at the first.
    reason = {"reason": {"code": "fit-checked", "system": "https://nuque.example.org/fhir/CodeSystem/override-reasons"}}
    items = [
        {"card": card["uuid"], "outcome": "overridden", "overrideReason": reason, "outcomeTimestamp": now}
        for card in answers[0]
    ]
    assert clients[0].post(f"{SELECT}/feedback", json={"feedback": items[:1]}).status_code == 200
    assert clients[1].post(f"{SELECT}/feedback", json={"feedback": items}).status_code == 200
    again = [
        client.post(SELECT, json={**order_select(*measured), "hookInstance": str(uuid.uuid4())}).json()["cards"]
        for client in clients
    ]
    critical = [card["summary"] for card in answers[0] if card["indicator"] == "critical"]
    assert [[card["summary"] for card in cards] for cards in again] == [critical] * WORKERS


@pytest.mark.parametrize("asked", ["over HTTP", "by a signal"])
def test_a_reload_reaches_all(live: LiveService, folder: Path, asked: str) -> None:
    before = len(live.said)
    version = "97.0.0" if asked == "over HTTP" else "98.0.0"
    write_version(folder, version)
    if asked == "over HTTP":
        done = httpx.post(
            f"{live.url}/admin/reload", headers={"Authorization": f"Bearer {ADMIN}"}, timeout=CHECK_SECONDS
        )
        assert done.status_code == 200
    else:
        os.kill(live.process.pid, signal.SIGHUP)
    assert eventually(lambda: sum('"reloaded"' in line and f"/{version};" in line for line in live.said) == WORKERS)
    with one_client_of_each(live) as clients:
        used = [client.get("/health/live").headers["Nuque-Ruleset"] for client in clients.values()]
    assert [f"/{version};" in each for each in used] == [True] * WORKERS
    # One of them has checked, and the others have found its verdict.
    said = [json.loads(line) for line in live.said[before:]]
    assert sum(line.get("stage") == "lint" for line in said) == 1
    assert sum(line["event"] == "content was checked before" for line in said) == WORKERS - 1


def the_one_that_checks(live: LiveService) -> int | None:
    """The worker that has a process of its own at work; it may be gone when it is looked at."""
    for worker in workers(live):
        with suppress(psutil.NoSuchProcess):
            if psutil.Process(worker).children():
                return worker
    return None


def test_a_worker_that_is_killed_while_it_checks_leaves_the_check_to_another(
    live: LiveService, folder: Path, kept_verdicts: Path
) -> None:
    """Nothing is decided meanwhile by content on which there is no verdict."""
    stamp = httpx.get(f"{live.url}/health/ready", timeout=PATIENCE_SECONDS).headers["Nuque-Ruleset"]
    before = len(live.said)
    write_version(folder, "96.0.0")
    os.kill(live.process.pid, signal.SIGHUP)
    assert eventually(lambda: the_one_that_checks(live) is not None)
    killed = the_one_that_checks(live)
    assert killed is not None
    os.kill(killed, signal.SIGKILL)
    decided_by_old = 0

    def has_reached_all() -> bool:
        nonlocal decided_by_old
        answer = httpx.post(f"{live.url}/decisions", json={"facts": {"age_years": 40}}, timeout=PATIENCE_SECONDS)
        if answer.status_code == 200 and answer.json()["ruleset"]["version"] == "96.0.0":
            assert any('"rigid-neck-collar/96.0.0;' in path.read_text() for path in kept_verdicts.glob("*.json"))
        elif answer.status_code == 200:
            decided_by_old += answer.headers["Nuque-Ruleset"] == stamp
        else:
            assert (answer.status_code, "nothing was decided" in answer.text) == (503, True)
        return sum('"reloaded"' in line and "/96.0.0;" in line for line in list(live.said)[before:]) == WORKERS

    assert eventually(has_reached_all)
    assert decided_by_old
    assert killed not in workers(live)
    with one_client_of_each(live) as clients:
        ready = [client.get("/health/ready") for client in clients.values()]
    assert [(each.status_code, "/96.0.0;" in each.headers["Nuque-Ruleset"]) for each in ready] == [
        (200, True)
    ] * WORKERS


@pytest.mark.parametrize("told", [signal.SIGKILL, signal.SIGTERM])
def test_a_worker_that_dies_is_replaced_with_the_content_that_is_in_use(
    live: LiveService, told: signal.Signals
) -> None:
    before = httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS).headers["Nuque-Ruleset"]
    first = min(workers(live))
    os.kill(first, told)
    assert eventually(lambda: len(workers(live) - {first}) == WORKERS)
    # Calls that came to its socket meanwhile wait for the new one.
    with one_client_of_each(live) as clients:
        assert first not in clients
        assert {client.get("/health/live").headers["Nuque-Ruleset"] for client in clients.values()} == {before}


def test_workers_end_with_the_process_that_watches_over_them(tmp_path: Path) -> None:
    with running("--workers", "2", NUQUE_STORE_URL=f"sqlite:///{tmp_path / 's.sqlite3'}") as live:
        started = [psutil.Process(pid) for pid in workers(live)]
        assert len(started) == WORKERS
        live.process.kill()
        assert eventually(lambda: not any(one.is_running() and one.status() != "zombie" for one in started))


def test_a_stop_reaches_all(tmp_path: Path) -> None:
    with running("--workers", "2", NUQUE_STORE_URL=f"sqlite:///{tmp_path / 's.sqlite3'}") as live:
        started = [psutil.Process(pid) for pid in workers(live)]
        assert len(started) == WORKERS
        live.process.terminate()
        assert live.process.wait(PATIENCE_SECONDS) == 0
    assert not any(one.is_running() and one.status() != "zombie" for one in started)


def test_a_worker_that_crashes_while_it_stops_is_told(tmp_path: Path) -> None:
    with running("--workers", "2", NUQUE_STORE_URL=f"sqlite:///{tmp_path / 's.sqlite3'}") as live:
        first, other = map(psutil.Process, sorted(workers(live)))
        first.suspend()
        live.process.terminate()
        assert eventually(lambda: not other.is_running() or other.status() == "zombie")
        first.kill()
        assert live.process.wait(PATIENCE_SECONDS) == 0
    told = [json.loads(line) for line in live.said if "did not end as told" in line]
    assert [line["status"] for line in told] == [-signal.SIGKILL]
