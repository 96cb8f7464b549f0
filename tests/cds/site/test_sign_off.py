"""What a site signed is accepted, exactly that, and a verdict is used for exactly what it was reached on."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from cds.settings import Settings
from cds.site import verdicts
from cds.site.content import Content
from cds.site.content_check import prove
from cds.site.sign_off import SignOff, beside, unsigned
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.verification.quality_gate import Findings, QualityGate

# The gate runs once for all of them: on one worker.
pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("sign-off")]

CASE = """cases:
- name: an-adult
  shows: An adult gets the line for adults.
  source: a test
  facts: {age_years: 40, neck_height_mm: 66, neck_circumference_mm: 380}
  expect: {line: adult}
"""
ONE = re.compile(r"  - generated \d+\n")
LATER = """site: {name: Harbour Infirmary}
parameters: {measure_within_hours: {value: 2, because: The plaster room comes within two hours.}}
"""


@pytest.fixture(scope="module")
def knowledge(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped folder with one worked case and no claims, so that the gate is quick."""
    folder = tmp_path_factory.mktemp("gate") / "knowledge"
    (folder / "cases").mkdir(parents=True)
    for path in KNOWLEDGE.glob("*.yaml"):
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "instructions").mkdir()
    for path in (KNOWLEDGE / "instructions").iterdir():
        (folder / "instructions" / path.name).write_bytes(path.read_bytes())
    (folder / "cases" / "one.yaml").write_text(CASE)
    return folder


@pytest.fixture(scope="module")
def site(knowledge: Path) -> Settings:
    """A site that changes one threshold."""
    overlay = knowledge.parent / "site.yaml"
    overlay.write_text(LATER)
    return Settings(knowledge=knowledge, overlays=(overlay,), verdicts=knowledge.parent / "verdicts")


@pytest.fixture(scope="module")
def effective(site: Settings) -> str:
    """The hash of the site's effective content."""
    return load_ruleset(site.knowledge or KNOWLEDGE, site.overlays).hash


@pytest.fixture(scope="module")
def findings(site: Settings) -> Findings:
    """What the gate finds of it."""
    return QualityGate(site.knowledge or KNOWLEDGE, site.overlays).findings()


@pytest.fixture
def signature(site: Settings, findings: Findings, effective: str) -> Path:
    """The sign-off, signed; a test may spoil it."""
    text = SignOff.of(findings, effective).written()
    text = text.replace("signed_by: null", "signed_by: A. Ward, lead of the trauma board")
    path = beside(site.overlays)
    path.write_text(text.replace("date: null", "date: 2026-01-31"), encoding="utf-8")
    return path


@pytest.fixture
def reasons(site: Settings, findings: Findings, effective: str) -> Callable[[], list[str]]:
    """Why the site's content is refused as its sign-off is now."""
    return lambda: unsigned(findings, effective, site.overlays)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda text: text.replace("signed_by: A. Ward, lead of the trauma board", "signed_by: null"), "is not signed"),
        (lambda text: text.replace("date: 2026-01-31", "date: soon"), "date"),
        (lambda text: text.replace("effective: ", "effective: 0"), "signed for other content"),
        (lambda text: ONE.sub("", text, count=1), "does not list generated"),
        (lambda text: ONE.sub("  - somebody\n\\g<0>", text, count=1), "lists somebody"),
        (lambda text: text.replace("within 2 hours", "within 3 hours"), "does not list"),
    ],
    ids=["nobody", "no date", "other content", "one left out", "one too many", "another change"],
)
def test_exactly_what_was_signed_is_accepted(
    reasons: Callable[[], list[str]], signature: Path, spoil: Callable[[str], str], said: str
) -> None:
    text = signature.read_text(encoding="utf-8")
    assert reasons() == []
    signature.write_text(spoil(text), encoding="utf-8")
    assert signature.read_text(encoding="utf-8") != text
    try:
        assert said in "; ".join(reasons())
    finally:
        signature.write_text(text, encoding="utf-8")


def test_without_a_signature_the_changed_patients_are_named(
    reasons: Callable[[], list[str]], signature: Path, findings: Findings
) -> None:
    text = signature.read_text(encoding="utf-8")
    signature.unlink()
    try:
        first, *named = reasons()
    finally:
        signature.write_text(text, encoding="utf-8")
    assert "nobody signed" in first
    assert findings.changed
    assert [line.split(":")[0] for line in named] == [one.patient for one in findings.changed]


def test_a_verdict_is_used_for_exactly_what_it_was_reached_on(site: Settings, signature: Path, knowledge: Path) -> None:
    found = prove(site)
    assert found.reasons == ()
    kept = verdicts.find(site)
    assert kept is not None
    assert kept.stamp == found.stamp == Content.load(site).stamp
    for changed in (knowledge / "service.yaml", knowledge / "cases" / "one.yaml", site.overlays[0], signature):
        text = changed.read_bytes()
        changed.write_bytes(text + b"# One word more.\n")
        assert verdicts.find(site) is None, changed
        changed.write_bytes(text)
    name = verdicts.key(site, proved=True)
    path = verdicts.folder(site) / f"{name}.json"
    whole = path.read_text()
    for spoiled in ("", "{}", whole.replace(name, "0" * 64), whole[:40]):
        path.write_text(spoiled)
        assert verdicts.find(site) is None, spoiled
    path.write_text(whole)
    assert verdicts.find(site) == kept
