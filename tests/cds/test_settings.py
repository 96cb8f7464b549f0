"""Settings from the environment."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.settings import Settings, SettingsError


def test_settings_come_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUQUE_PORT", "9001")
    monkeypatch.setenv("NUQUE_OVERLAYS", "a.yaml:b.yaml")
    monkeypatch.setenv("NUQUE_CORS_ORIGINS", "https://a.example, https://b.example")
    settings = Settings.load()
    assert settings.port == 9001
    assert settings.overlays == (Path("a.yaml"), Path("b.yaml"))
    assert settings.cors_origins == ("https://a.example", "https://b.example")


def test_what_is_given_goes_before_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUQUE_PORT", "9001")
    assert Settings.load(port=9002).port == 9002


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("NUQUE_PORT", "http"),
        ("NUQUE_CANONICAL_BASE", "nuque"),
        ("NUQUE_PUBLIC_URL", "https://a/"),
        ("NUQUE_CORS_ORIGINS", "*"),
        ("NUQUE_CORS_ORIGINS", "https://a.example,https://b.example/"),
        ("NUQUE_CORS_ORIGINS", "a.example"),
        ("NUQUE_AUDIENCES", "cds.example"),
        ("NUQUE_TIME_ZONE", "Madrid"),
        ("NUQUE_TIME_ZONE", "../etc/passwd"),
        ("NUQUE_TIME_ZONE", ""),
    ],
)
def test_a_wrong_value_names_its_variable(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(SettingsError, match=name):
        Settings.load()


def test_every_setting_is_documented_as_the_code_describes_it() -> None:
    listed = CliRunner().invoke(main, ["settings", "--markdown"], catch_exceptions=False).output
    assert set(re.findall(r"^\| `(NUQUE_\w+)`", listed, re.M)) == {
        f"NUQUE_{name.upper()}" for name in Settings.model_fields
    }
    undescribed = [name for name, field in Settings.model_fields.items() if not field.description]
    assert undescribed == []
    # To bring the page up to date: nuque settings --markdown, and paste it below the introduction.
    page = (Path(__file__).parents[2] / "docs" / "settings.md").read_text()
    missing = [line for line in listed.splitlines() if line not in page.splitlines()]
    assert missing == []
    stale = set(re.findall(r"`(NUQUE_\w+)` \|", page)) - set(re.findall(r"`(NUQUE_\w+)` \|", listed))
    assert stale == set()


def test_a_variable_that_is_no_setting_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUQUE_TURST", "jwt")
    with pytest.raises(SettingsError, match="NUQUE_TURST"):
        Settings.load()


def test_a_launch_needs_a_way_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUQUE_TRUST", "jwt")
    monkeypatch.setenv("NUQUE_SMART_CLIENTS", "https://ehr.example.org/fhir=nuque")
    with pytest.raises(SettingsError, match="NUQUE_PUBLIC_URL"):
        Settings.load()
    monkeypatch.setenv("NUQUE_PUBLIC_URL", "https://collar.hospital.example")
    assert Settings.load().address == "https://collar.hospital.example"
