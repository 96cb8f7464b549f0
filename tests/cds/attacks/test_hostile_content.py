"""Content that is made to harm, read by the running service: refused with the reason, and everybody else is served."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from cds.cli import main
from rules.loading.loader import KNOWLEDGE
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

# One service of its own content, whose check takes its time, for all of them: on one worker.
pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("hostile content")]

BEARER = {"Authorization": f"Bearer {'a' * 40}"}
SITE = "site: {name: Harbour Infirmary}\n"
LEAVING = """cases:
  - {name: worn-day-and-night, shows: a, source: local-judgement,
     facts: {collar_in_place: true, discharge_planned: true, discharge_destination: home, wear_order: day_and_night},
     fires: [handover.wear.day_and_night]}
"""
"""A worked case for the rule that a site switches off."""
BOMB = "bomb: &a [1,1,1,1,1,1,1,1,1,1]\n" + "".join(
    f"{name}: &{name} [{','.join([f'*{earlier}'] * 10)}]\n"
    for earlier, name in zip("abcdefgh", "bcdefghi", strict=True)
)
"""Some hundred bytes that stand for a thousand million values."""


@dataclass(frozen=True)
class Reloading:
    """A running service, the folder and the overlay that it reads, and a reload of them."""

    live: LiveService
    folder: Path
    overlay: Path

    def reload(self) -> httpx.Response:
        return httpx.post(f"{self.live.url}/admin/reload", headers=BEARER, timeout=600)

    def answers(self) -> bool:
        """Whether health and a decision are answered, by content with a name."""
        health = httpx.get(f"{self.live.url}/health/ready", timeout=PATIENCE_SECONDS)
        decided = httpx.post(f"{self.live.url}/decisions", json={"facts": {"age_years": 40}}, timeout=PATIENCE_SECONDS)
        return health.status_code == decided.status_code == 200 and "; hash=" in decided.headers["Nuque-Ruleset"]


@pytest.fixture(scope="module")
def reloading(tmp_path_factory: pytest.TempPathFactory, store_url: str) -> Iterator[Reloading]:
    root = tmp_path_factory.mktemp("content")
    folder = Path(shutil.copytree(KNOWLEDGE, root / "knowledge"))
    _, *others = sorted((folder / "cases").glob("*.yaml"), key=lambda path: path.stat().st_size)
    for path in others:
        path.unlink()
    (folder / "cases" / "leaving.yaml").write_text(LEAVING, encoding="utf-8")
    overlay = root / "site.yaml"
    overlay.write_text(SITE)
    options = ("--knowledge", str(folder), "--overlay", str(overlay))
    with running(*options, NUQUE_ADMIN_TOKEN="a" * 40) as live:
        yield Reloading(live, folder, overlay)


@pytest.mark.parametrize(
    "wrong",
    [
        ("version: 0.1.0", "version: 2026\u201111"),
        ("version: 0.1.0", f"version: {'1' * 65}"),
        ("version: 0.1.0", "version: 1.0|2.0"),
        ("version: 0.1.0", 'version: "1.0\\r\\nSet-Cookie: a=b"'),
        ("name: rigid-neck-collar", "name: ../../elsewhere"),
        ("name: rigid-neck-collar", "name: k\u00f6nig"),
    ],
)
def test_a_name_or_version_that_no_header_carries_is_refused(reloading: Reloading, wrong: tuple[str, str]) -> None:
    path = reloading.folder / "ruleset.yaml"
    right = path.read_text(encoding="utf-8")
    assert wrong[0] in right
    path.write_text(right.replace(wrong[0], wrong[1], 1), encoding="utf-8")
    try:
        refused = reloading.reload()
    finally:
        path.write_text(right, encoding="utf-8")
    assert (refused.status_code, "ruleset.yaml" in refused.text) == (409, True)
    assert reloading.answers()


@pytest.mark.parametrize(
    "hostile",
    [BOMB, "a: " + "[" * 900 + "]" * 900, "a: " + "1" * 5000, "a: !!bool maybe", "a: 1:" + ":".join(["59"] * 50_000)],
    ids=["aliases", "nesting", "digits", "a boolean that is none", "sexagesimal"],
)
def test_yaml_that_is_made_to_exhaust_is_refused_before_it_does(reloading: Reloading, hostile: str) -> None:
    reloading.overlay.write_text(SITE + hostile)
    try:
        refused = reloading.reload()
    finally:
        reloading.overlay.write_text(SITE)
    assert (refused.status_code, "site.yaml" in refused.text) == (409, True)
    assert "the check" not in refused.text  # It ended by itself: neither time nor memory of the check ran out.
    assert reloading.answers()


def test_a_rule_that_alone_gives_an_instruction_can_be_switched_off(reloading: Reloading) -> None:
    """Once somebody signed for the patients whose decisions it changes. And the reload says what it does, to its end."""
    reloading.overlay.write_text(
        f"{SITE}switch_off: [{{rule: handover.wear.day_and_night, because: Said in person here.}}]\n"
    )
    signed = reloading.overlay.with_suffix(".signed.yaml")
    try:
        refused = reloading.reload()
        options = ["--knowledge", str(reloading.folder), "--overlay", str(reloading.overlay)]
        written = CliRunner().invoke(main, ["rules", "compare", "--sign-off", *options])
        blank = signed.read_text(encoding="utf-8")
        signed.write_text(
            blank.replace("signed_by: null", "signed_by: A. Ward, lead").replace("date: null", "date: 2026-01-31")
        )
        done = reloading.reload()
    finally:
        reloading.overlay.write_text(SITE)
        signed.unlink(missing_ok=True)
    assert refused.status_code == 409
    assert "worn-day-and-night" in refused.text
    assert "nobody signed" in refused.text
    assert written.exit_code == 0, written.output
    assert done.status_code == 200, done.text
    assert any("no rule hands this out" in remark for remark in done.json()["remarks"])
    stages = {found["stage"]: found for line in reloading.live.said if "stage" in (found := json.loads(line))}
    assert {"loading", "worked cases", "lint"} <= set(stages)
    assert stages["worked cases"]["count"] == done.json()["cases"]


EVERYONE_AN_ADULT = (
    SITE
    + """sources: {board: {kind: local_default, citation: Decision of a board of an invented hospital.}}
rules:
- {id: site.adult, title: Adults only, priority: 90, when: {known: age_years}, because: Only adults come here., sources: [board],
   then: {size: {axis: line, value: adult, basis: measured}}}
"""
)
NO_HOLD = f"{SITE}switch_off: [{{rule: sizing.hold.halo, because: None come here.}}]\n"


@pytest.mark.parametrize(
    ("text", "named"),
    [(EVERYONE_AN_ADULT, ("no-adult-size-for-a-child", "'age_years'")), (NO_HOLD, ("sizing.hold.halo", "no overlay"))],
    ids=["everyone an adult", "a hold left out"],
)
def test_what_can_hurt_is_refused(reloading: Reloading, text: str, named: tuple[str, str]) -> None:
    before = httpx.get(f"{reloading.live.url}/health/ready", timeout=PATIENCE_SECONDS).headers["Nuque-Ruleset"]
    reloading.overlay.write_text(text)
    try:
        refused = reloading.reload()
    finally:
        reloading.overlay.write_text(SITE)
    assert refused.status_code == 409
    assert all(words in refused.text for words in named)
    assert httpx.get(f"{reloading.live.url}/health/ready", timeout=PATIENCE_SECONDS).headers["Nuque-Ruleset"] == before


def test_nothing_is_decided_by_content_that_was_refused_at_the_start(reloading: Reloading) -> None:
    """Nor is there anything to sign."""
    reloading.overlay.write_text(NO_HOLD)
    options = ["--knowledge", str(reloading.folder), "--overlay", str(reloading.overlay)]
    try:
        written = CliRunner().invoke(main, ["rules", "compare", "--sign-off", *options])
        with running(*options, checked=False) as other:
            assert other.has_said("reload refused", "sizing.hold.halo")
            said = httpx.get(f"{other.url}/health/ready", timeout=PATIENCE_SECONDS)
            decided = httpx.post(f"{other.url}/decisions", json={"facts": {"age_years": 2}}, timeout=PATIENCE_SECONDS)
    finally:
        reloading.overlay.write_text(SITE)
    assert (written.exit_code, "cannot be signed off" in written.output) == (1, True)
    assert not reloading.overlay.with_suffix(".signed.yaml").exists()
    assert (said.status_code, "content" in said.json()["failing"]) == (503, True)
    assert (decided.status_code, "nothing was decided" in decided.text) == (503, True)


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("ruleset.yaml", "name: ../../outside"),
        ("site.yaml", "tasks: {../../outside: {title: T, instruction: I, request: order, performer: nurse}}"),
    ],
)
def test_publishing_writes_nothing_outside_its_folder(tmp_path: Path, file: str, text: str) -> None:
    folder = Path(shutil.copytree(KNOWLEDGE, tmp_path / "knowledge", ignore=shutil.ignore_patterns("cases")))
    options = ["--knowledge", str(folder)]
    if file == "ruleset.yaml":
        path = folder / file
        path.write_text(path.read_text().replace("name: rigid-neck-collar", text, 1))
    else:
        (tmp_path / file).write_text(SITE + text)
        options += ["--overlay", str(tmp_path / file)]
    out = tmp_path / "a" / "b" / "published"
    refused = CliRunner().invoke(main, ["publish", str(out), *options])
    assert refused.exit_code != 0
    assert "outside" in refused.output
    assert not list(tmp_path.rglob("outside*"))
