"""What the store may know. Hashes are recomputed from RFC 2104 (HMAC), derived keys from RFC 5869 (HKDF)."""

from __future__ import annotations

import hmac
import secrets
from datetime import UTC, datetime

import pytest
from cryptography.fernet import Fernet

from cds.security.pseudonymisation import Secrecy, SecrecyError
from cds.settings import StoreSettings

SECRET = "s" * 32


def secrecy(*record_keys: bytes) -> Secrecy:
    settings = StoreSettings(pseudonym_key=SECRET, record_keys=[key.decode() for key in record_keys])
    return Secrecy(settings, made_up=False)


def keyed(message: bytes) -> str:
    return hmac.digest(SECRET.encode(), message, "sha256").hex()


def test_patients_texts_and_facts_are_kept_as_keyed_hashes() -> None:
    known = secrecy()
    assert known.patient("https://ehr.example\n", "p1") == keyed(b"patient\0https://ehr.example\n\0p1")
    assert known.patient("", "half \ud800") == keyed(b"patient\0\0half \xed\xa0\x80")
    assert known.text("Zoë") == keyed("text\0Zoë".encode())
    at = datetime(2026, 1, 31, 10, tzinfo=UTC)
    assert known.facts({"b": at, "a": 1}) == keyed(b'facts\0{"a": 1, "b": "2026-01-31 10:00:00+00:00"}')


def test_a_derived_key_is_the_one_of_rfc_5869_for_its_purpose() -> None:
    extracted = hmac.digest(bytes(32), SECRET.encode(), "sha256")
    assert secrecy().derived("sealed links") == hmac.digest(extracted, b"nuque sealed links\x01", "sha256")


def test_in_open_mode_a_key_of_256_bits_is_made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(secrets, "token_bytes", lambda length: asked.append(length) or SECRET.encode()[:length])
    made_up = Secrecy(StoreSettings(), made_up=True)
    assert asked == [32]
    assert made_up.text("x") == secrecy().text("x")


def test_a_key_that_is_set_is_not_made_up() -> None:
    settings = StoreSettings(pseudonym_key=SECRET)
    assert Secrecy(settings, made_up=True).text("x") == keyed(b"text\0x")


def test_two_made_up_keys_differ() -> None:
    assert Secrecy(StoreSettings(), made_up=True).text("x") != Secrecy(StoreSettings(), made_up=True).text("x")


def test_without_a_key_the_setting_is_named() -> None:
    with pytest.raises(SecrecyError) as error:
        Secrecy(StoreSettings(), made_up=False)
    assert str(error.value) == (
        "NUQUE_PSEUDONYM_KEY: needed unless NUQUE_TRUST is 'open'; a secret of at least 32 characters, the same in "
        "every worker and kept: without it nobody can tell which entries are of one patient"
    )


def test_what_is_sealed_is_read_with_any_of_the_keys_and_sealed_with_the_first() -> None:
    new, old = Fernet.generate_key(), Fernet.generate_key()
    sealed = secrecy(old).seal("Hals, 66 mm – ü")
    assert sealed is not None
    assert Fernet(old).decrypt(sealed) == "Hals, 66 mm – ü".encode()
    both = secrecy(new, old)
    assert both.seals
    assert both.unseal(sealed) == "Hals, 66 mm – ü"
    again = both.seal("x")
    assert again is not None and Fernet(new).decrypt(again) == b"x"


def test_without_keys_nothing_is_sealed_and_nothing_read() -> None:
    none = secrecy()
    assert (none.seals, none.seal("x")) == (False, None)
    with pytest.raises(SecrecyError) as error:
        none.unseal(b"x")
    assert str(error.value) == "NUQUE_RECORD_KEYS: needed to read what is encrypted"


@pytest.mark.parametrize(
    "sealed",
    [b"", b"x", Fernet(Fernet.generate_key()).encrypt(b"x")],
    ids=["nothing", "no token", "another key"],
)
def test_what_no_key_fits_is_not_read(sealed: bytes) -> None:
    with pytest.raises(SecrecyError) as error:
        secrecy(Fernet.generate_key()).unseal(sealed)
    assert str(error.value) == "NUQUE_RECORD_KEYS: no key fits this record"


def test_a_record_key_that_is_none_is_told_with_where_to_read() -> None:
    with pytest.raises(SecrecyError) as error:
        secrecy(b"short")
    assert str(error.value).startswith("NUQUE_RECORD_KEYS: Fernet key must be 32 url-safe base64-encoded bytes")
    assert str(error.value).endswith(" docs/settings.md says how to make one")
