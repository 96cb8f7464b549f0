"""New knowledge while the service runs: checked, swapped as a whole, refused with its reason."""

import os
import shutil
import signal
import sys
import threading
import weakref
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.site.content import Content
from cds.site.content_check import CHANGED, Proof
from cds.site.lasting_objects import replaced
from cds.web import content_reload
from cds.web.content_reload import ContentCheck, Reloader, ReloadRefused, proved
from rules.loading.loader import KNOWLEDGE
from tests.cds.content_folder import soon_checked, write_version
from tests.cds.live_service import PATIENCE_SECONDS, running

ADMIN = "a" * 40
BEARER = {"Authorization": f"Bearer {ADMIN}"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return soon_checked(tmp_path)


@pytest.fixture
def service(folder: Path) -> TestClient:
    return TestClient(create_app(Settings(knowledge=folder, admin_token=ADMIN)))


def new_version(folder: Path, version: str = "99.0.0") -> None:
    write_version(folder, version)


@pytest.mark.slow
def test_good_knowledge_is_swapped_in_after_its_cases_were_run(folder: Path, service: TestClient) -> None:
    before = service.get("/health/live").headers["Nuque-Ruleset"]
    new_version(folder)
    done = service.post("/admin/reload", headers=BEARER)
    assert done.status_code == 200
    assert (done.json()["before"], done.json()["cases"] > 0) == (before, True)
    assert "/99.0.0;" in service.get("/health/live").headers["Nuque-Ruleset"]


def test_the_old_rules_go_once_they_are_replaced(folder: Path, service: TestClient) -> None:
    app = service.app
    assert isinstance(app, FastAPI)
    old = weakref.ref(app.state.service.content.ruleset)
    new_version(folder)
    assert service.post("/admin/reload", headers=BEARER).status_code == 200
    replaced()
    assert old() is None


def test_a_call_is_decided_by_the_rules_that_its_answer_names(folder: Path, service: TestClient) -> None:
    """Also where new knowledge is swapped in while the body still comes."""
    app = service.app
    assert isinstance(app, FastAPI)
    new_version(folder)
    newer = Content.load(app.state.service.settings)

    def body() -> Iterator[bytes]:
        yield b'{"facts": {"age_years'
        app.state.service.content = newer
        yield b'": 40}}'

    answer = service.post("/decisions", content=body(), headers={"Content-Type": "application/json"})
    decided = answer.json()["ruleset"]
    assert "99.0.0" not in decided["version"]
    assert answer.headers["Nuque-Ruleset"] == f"{decided['name']}/{decided['version']}; hash={decided['hash']}"
    assert "/99.0.0;" in service.get("/health/live").headers["Nuque-Ruleset"]


@pytest.mark.parametrize(
    ("file", "text", "reason"),
    [
        ("broken.yaml", "rules: [", "broken.yaml"),
        ("broken.yaml", "nonsense: {}", "nonsense"),
        ("cases/broken.yaml", "cases: 7", "cases"),
        pytest.param(
            "cases/broken.yaml",
            "cases:\n- name: wrong\n  shows: x\n  source: x\n  facts: {age_years: 40}\n  expect: {size: none, line: infant}\n",
            "wrong",
            marks=pytest.mark.slow,
        ),
        # It loads and every case holds; only lint sees it.
        pytest.param(
            "idle.yaml",
            "rules:\n- id: idle.x\n  title: Idle\n  when: {fact: age_years, above: 900}\n"
            "  then: {conclude: {collar_care: true}}\n  because: Never.\n  sources: [ham-2014]\n",
            "threshold: rule idle.x",
            marks=pytest.mark.slow,
        ),
    ],
)
def test_broken_knowledge_is_refused_with_the_reason_and_the_old_stays(
    folder: Path, service: TestClient, file: str, text: str, reason: str
) -> None:
    before = service.get("/health/live").headers["Nuque-Ruleset"]
    new_version(folder)
    (folder / file).write_text(text)
    refused = service.post("/admin/reload", headers=BEARER)
    assert refused.status_code == 409
    assert reason in " ".join(issue["diagnostics"] for issue in refused.json()["issue"])
    assert service.get("/health/live").headers["Nuque-Ruleset"] == before
    assert service.post("/decisions", json={"facts": {"age_years": 40}}).status_code == 200


def test_a_folder_without_cases_is_refused(folder: Path, service: TestClient) -> None:
    shutil.rmtree(folder / "cases")
    assert service.post("/admin/reload", headers=BEARER).status_code == 409


@pytest.mark.parametrize("headers", [{}, {"Authorization": "Bearer wrong"}, {"Authorization": ADMIN}])
def test_only_the_admin_token_reloads(service: TestClient, headers: dict[str, str]) -> None:
    assert service.post("/admin/reload", headers=headers).status_code == 401


def test_without_an_admin_token_there_is_no_such_call() -> None:
    with TestClient(create_app(Settings())) as service:
        assert service.post("/admin/reload", headers=BEARER).status_code == 401


def test_one_reload_at_a_time(service: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, let_go = threading.Event(), threading.Event()

    def held_up(settings: Settings, check: ContentCheck) -> tuple[Content, Proof]:
        begun.set()
        assert let_go.wait(PATIENCE_SECONDS)
        content = Content.load(settings)
        return content, Proof(content.stamp, (), 1, ())

    monkeypatch.setattr(content_reload, "proved", held_up)
    with ThreadPoolExecutor(1) as other:
        first = other.submit(service.post, "/admin/reload", headers=BEARER)
        assert begun.wait(PATIENCE_SECONDS)
        second = service.post("/admin/reload", headers=BEARER)
        let_go.set()
        assert first.result().status_code == 200
    assert second.status_code == 409
    assert "another reload" in second.text


@pytest.fixture
def reloader(service: TestClient) -> Reloader:
    assert isinstance(service.app, FastAPI)
    made: Reloader = service.app.state.reloader
    return made


def reloads_in_progress() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "reload"]


def until_none_is_in_progress() -> None:
    for thread in reloads_in_progress():
        thread.join(PATIENCE_SECONDS)
    assert not reloads_in_progress()


def test_signals_during_a_reload_are_followed_by_one_more(
    reloader: Reloader, service: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The files may have been changed after they were read."""
    begun, let_go = threading.Event(), threading.Event()
    looked_at: list[str] = []

    def held_up(settings: Settings, check: ContentCheck) -> tuple[Content, Proof]:
        content = Content.load(settings)
        looked_at.append(content.ruleset.version)
        begun.set()
        assert let_go.wait(PATIENCE_SECONDS)
        return content, Proof(content.stamp, (), 1, ())

    monkeypatch.setattr(content_reload, "proved", held_up)
    new_version(folder, "81.0.0")
    reloader.on_signal()
    assert begun.wait(PATIENCE_SECONDS)
    new_version(folder, "82.0.0")
    for _ in range(3):
        reloader.on_signal()
    assert len(reloads_in_progress()) == 2
    let_go.set()
    until_none_is_in_progress()
    assert looked_at == ["81.0.0", "82.0.0"]
    assert "/82.0.0;" in service.get("/health/live").headers["Nuque-Ruleset"]


def test_a_stop_ends_the_reload_in_progress_and_the_one_that_waits(
    reloader: Reloader, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(content_reload, "_COMMAND", [sys.executable, "-c", "import time; time.sleep(600)"])
    new_version(folder, "83.0.0")
    began = threading.Event()
    run = ContentCheck.run

    def noted(check: ContentCheck, settings: Settings) -> Proof:
        began.set()
        return run(check, settings)

    monkeypatch.setattr(ContentCheck, "run", noted)
    reloader.on_signal()
    assert began.wait(PATIENCE_SECONDS)
    reloader.on_signal()
    reloader.stop()
    until_none_is_in_progress()


class Told(ContentCheck):
    """A check that has found what it is told."""

    def __init__(self, *found: Proof) -> None:
        super().__init__()
        self.found = list(found)

    def run(self, settings: Settings) -> Proof:
        return self.found.pop(0)


def test_content_that_was_changed_while_it_was_checked_is_checked_again(folder: Path, tmp_path: Path) -> None:
    new_version(folder, "84.0.0")
    settings = Settings(knowledge=folder, verdicts=tmp_path / "verdicts")
    stamp = Content.load(settings).stamp
    changed, other, good = Proof("", (CHANGED,), 0, ()), Proof("another", (), 1, ()), Proof(stamp, (), 1, ())
    content, proof = proved(settings, Told(changed, other, good))
    assert (content.stamp, proof) == (stamp, good)
    for never in (changed, other):
        check = Told(*[never] * 9)
        with pytest.raises(ReloadRefused, match="changed while it was checked"):
            proved(settings, check)
        assert len(check.found) == 6
    with pytest.raises(ReloadRefused, match="wrong"):
        proved(settings, Told(Proof("", ("wrong",), 0, ()), good))


@pytest.mark.slow
def test_sighup_reloads_and_a_broken_folder_leaves_the_service_answering(folder: Path) -> None:
    with running("--knowledge", str(folder)) as live:
        new_version(folder, "98.0.0")
        os.kill(live.process.pid, signal.SIGHUP)
        assert live.has_said("reloaded", "/98.0.0;")
        assert "/98.0.0;" in httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS).headers["Nuque-Ruleset"]
        (folder / "broken.yaml").write_text("rules: [")
        os.kill(live.process.pid, signal.SIGHUP)
        assert live.has_said("reload refused", "broken.yaml")
        assert (
            httpx.post(f"{live.url}/decisions", json={"facts": {"age_years": 40}}, timeout=PATIENCE_SECONDS).status_code
            == 200
        )
        assert "/98.0.0;" in httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS).headers["Nuque-Ruleset"]


def test_a_header_can_be_built_whatever_the_content_is_called() -> None:
    """Loading refuses such names; a header that could not be built would fail every call, health included."""
    content = Content.load(Settings())
    named = replace(content, ruleset=replace(content.ruleset, name="a\r\nb", version="2026\u201111"))
    assert named.stamp.isascii()
    assert named.stamp.isprintable()
    with TestClient(create_app(Settings())) as client:
        client.app.state.service.content = named  # type: ignore[attr-defined]
        assert client.get("/health/ready").headers["Nuque-Ruleset"] == named.stamp


@pytest.mark.slow
def test_a_check_that_needs_too_much_memory_ends_and_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The limits are set before anything is read: with little address space the check cannot even load the rules."""
    greedy = "import cds.site.content_check as check; check.MOST_MEMORY_BYTES = 200 << 20; check.main()"
    monkeypatch.setattr(content_reload, "_COMMAND", [sys.executable, "-c", greedy])
    unproved = shutil.copytree(KNOWLEDGE, tmp_path / "knowledge")
    with (unproved / "sizing.yaml").open("a") as file:
        file.write("\n")
    with pytest.raises(ReloadRefused, match="limits: 3072 MiB"):
        ContentCheck().run(Settings(knowledge=unproved, verdicts=tmp_path / "verdicts"))


def test_a_stop_ends_the_check(monkeypatch: pytest.MonkeyPatch) -> None:
    check = ContentCheck()
    monkeypatch.setattr(content_reload, "_COMMAND", [sys.executable, "-c", "import time; time.sleep(600)"])
    threading.Timer(0.5, check.end, ["the service is stopping"]).start()
    with pytest.raises(ReloadRefused, match="the service is stopping"):
        check.run(Settings())
