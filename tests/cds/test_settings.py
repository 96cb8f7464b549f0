"""Settings from the environment."""

from pathlib import Path

import pytest

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
    ("name", "value"), [("NUQUE_PORT", "http"), ("NUQUE_CANONICAL_BASE", "nuque"), ("NUQUE_PUBLIC_URL", "https://a/")]
)
def test_a_wrong_value_names_its_variable(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(SettingsError, match=name):
        Settings.load()
