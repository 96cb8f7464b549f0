"""Verdicts of the gate: used for exactly the content and the code that they were reached for."""

import errno
import fcntl
from pathlib import Path
from shutil import copytree

import pytest

from cds.settings import Settings
from cds.site import content_check, verdicts
from cds.site.content_check import CHANGED, prove
from rules.loading.loader import KNOWLEDGE
from rules.verification.quality_gate import Findings, QualityGate


def test_the_shipped_verdict_is_of_this_content_and_this_code(tmp_path: Path) -> None:
    """Otherwise every first start runs the gate for a minute: ``python -m tests.cds.site.shipped_verdict`` renews it."""
    found = verdicts.find(Settings(verdicts=tmp_path))
    assert found is not None, "the shipped verdict is out of date: python -m tests.cds.site.shipped_verdict"
    assert found.cases > 1000


@pytest.mark.parametrize("changed", ["sizing.yaml", "cases/sizing.yaml", "surveys/neck_circumference.json"])
def test_other_content_asks_for_another_verdict(tmp_path: Path, changed: str) -> None:
    folder = copytree(KNOWLEDGE, tmp_path / "knowledge")
    settings = Settings(knowledge=folder)
    before = verdicts.key(settings, proved=True)
    assert before == verdicts.key(Settings(), proved=True)
    with (folder / changed).open("a") as file:
        file.write("\n")
    assert verdicts.key(settings, proved=True) != before


def test_no_verdict_on_content_that_is_changed_while_it_is_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copytree(KNOWLEDGE, tmp_path / "knowledge")

    def changed(gate: QualityGate) -> Findings:
        with (folder / "sizing.yaml").open("a") as file:
            file.write("\n")
        return Findings(cases=1)

    monkeypatch.setattr(QualityGate, "findings", changed)
    assert prove(Settings(knowledge=folder, verdicts=tmp_path / "verdicts")).reasons == (CHANGED,)
    assert not list(tmp_path.glob("verdicts/*.json"))


def test_no_verdict_where_other_content_was_there_for_a_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The files before and after are the same, and what was checked is not."""
    folder = copytree(KNOWLEDGE, tmp_path / "knowledge")
    file = folder / "ruleset.yaml"
    right = file.read_text()

    class Distracted(QualityGate):
        def __init__(self, *given: object) -> None:
            file.write_text(right.replace("version: ", "version: 9"))
            super().__init__(*given)  # type: ignore[arg-type]
            file.write_text(right)

    monkeypatch.setattr(content_check, "QualityGate", Distracted)
    monkeypatch.setattr(QualityGate, "findings", lambda gate: Findings(cases=1))
    assert prove(Settings(knowledge=folder, verdicts=tmp_path / "verdicts")).reasons == (CHANGED,)
    assert not list(tmp_path.glob("verdicts/*.json"))


def test_what_was_checked_while_nothing_changed_gets_a_verdict(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(QualityGate, "findings", lambda gate: Findings(cases=1))
    settings = Settings(knowledge=copytree(KNOWLEDGE, tmp_path / "knowledge"), verdicts=tmp_path / "verdicts")
    (settings.knowledge or tmp_path).joinpath("other.yaml").write_text("{}\n")
    assert prove(settings).reasons == ()
    found = verdicts.find(settings)
    assert found is not None
    assert found.cases == 1


def test_a_verdict_that_cannot_be_kept_is_said_and_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a read-only root without a folder for verdicts; each process then checks by itself."""
    monkeypatch.setattr(QualityGate, "findings", lambda gate: Findings(cases=1))
    (tmp_path / "verdicts").write_text("a file where the folder should be")
    settings = Settings(verdicts=tmp_path / "verdicts")
    proof = prove(settings)
    assert proof.reasons == ()
    assert any("not kept" in remark for remark in proof.remarks)
    with verdicts.one_at_a_time(settings, lambda: False), verdicts.one_at_a_time(settings, lambda: False):
        pass


def test_one_checks_at_a_time_and_who_gives_up_does_not_wait(tmp_path: Path) -> None:
    settings = Settings(verdicts=tmp_path)
    asked: list[bool] = []

    def given_up() -> bool:
        asked.append(True)
        return len(asked) > 2

    with verdicts.one_at_a_time(settings, lambda: False), verdicts.one_at_a_time(settings, given_up):
        assert len(asked) == 3
    with verdicts.one_at_a_time(settings, given_up):
        assert len(asked) == 3


def test_where_files_cannot_be_locked_nobody_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_locks(file: int, operation: int) -> None:
        raise OSError(errno.ENOLCK, "no locks available")

    monkeypatch.setattr(fcntl, "flock", no_locks)
    with verdicts.one_at_a_time(Settings(verdicts=tmp_path), lambda: False):
        assert (tmp_path / "lock").exists()
