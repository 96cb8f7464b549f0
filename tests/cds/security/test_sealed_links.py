"""Sealed links: read by this service only, unchanged, for a while."""

from __future__ import annotations

import base64
import hmac
import random
import zlib
from datetime import UTC, datetime, timedelta

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESSIV
from hypothesis import given
from hypothesis import strategies as st

from cds.security.pseudonymisation import Secrecy
from cds.security.sealed_links import LONGEST, LinkRefused, LinkSeal
from cds.settings import StoreSettings

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
SEAL = LinkSeal(b"s" * 32, 12)


@given(st.binary(max_size=2000))
def test_what_is_sealed_is_opened(content: bytes) -> None:
    sealed = SEAL.seal(content, AT)
    assert SEAL.open(sealed, AT) == content
    # What the fragment of an address takes as it is (RFC 3986, section 3.5).
    assert set(sealed) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")


def test_the_same_at_the_same_moment_is_the_same_text_and_holds_nothing_in_clear() -> None:
    content = b"neck_height_mm 66.123"
    assert SEAL.seal(content, AT) == SEAL.seal(content, AT)
    assert b"neck" not in SEAL.seal(content, AT).encode() and SEAL.seal(content, AT) != SEAL.seal(content + b"4", AT)


@pytest.mark.parametrize("hours", [0, 1, 11.9])
def test_within_its_hours_it_opens(hours: float) -> None:
    assert SEAL.open(SEAL.seal(b"x", AT), AT + timedelta(hours=hours)) == b"x"


@pytest.mark.parametrize("hours", [12.1, 24, 1000, -0.1, -24])
def test_after_them_or_before_it_was_issued_it_does_not(hours: float) -> None:
    with pytest.raises(LinkRefused) as refused:
        SEAL.open(SEAL.seal(b"x", AT), AT + timedelta(hours=hours))
    assert refused.value.expired


@given(st.integers(0, 200), st.characters(codec="ascii"))
def test_any_other_letter_closes_it(place: int, letter: str) -> None:
    """But for ``+`` and ``/``, which are ``-`` and ``_`` in the other alphabet of Base64 (RFC 4648, sections 4 and 5)."""
    letter = letter.translate(str.maketrans("+/", "-_"))
    sealed = SEAL.seal(b"neck height", AT)
    place %= len(sealed)
    changed = sealed[:place] + letter + sealed[place + 1 :]
    if changed != sealed and changed[:-1] != sealed[:-1]:
        with pytest.raises(LinkRefused):
            SEAL.open(changed, AT)


@given(st.text(max_size=200))
def test_whatever_else_is_sent_is_refused(text: str) -> None:
    with pytest.raises(LinkRefused):
        SEAL.open(text, AT)


def test_workers_share_the_keys_and_other_services_have_others() -> None:
    def seal(key: str, purpose: str = "sealed links") -> LinkSeal:
        return LinkSeal(Secrecy(StoreSettings(pseudonym_key=key), made_up=False).derived(purpose), 12)

    sealed = seal("a" * 32).seal(b"x", AT)
    assert seal("a" * 32).open(sealed, AT) == b"x"
    for other in (seal("b" * 32), seal("a" * 32, "another purpose")):
        with pytest.raises(LinkRefused):
            other.open(sealed, AT)


# --- the form, recomputed from the standards ------------------------------------------------------------------------

HOURS = 12


def derived(secret: bytes, period: bytes) -> bytes:
    """64 bytes of HKDF (RFC 5869) with SHA-256, without a salt."""
    extracted = hmac.digest(bytes(32), secret, "sha256")
    info = b"nuque sealed link " + period
    first = hmac.digest(extracted, info + b"\x01", "sha256")
    return first + hmac.digest(extracted, first + info + b"\x02", "sha256")


@pytest.mark.parametrize(
    "content", [b"", b"neck_height_mm 66", random.Random(1).randbytes(20_000)], ids=["empty", "short", "long"]
)
def test_a_sealed_text_is_base64url_of_the_period_and_aes_siv_of_moment_and_deflated_content(content: bytes) -> None:
    """RFC 4648, section 5, without padding; RFC 5297; RFC 1950 with a window of 4096, the first four bits of its header."""
    issued = int(AT.timestamp())
    period = (issued // (HOURS * 3600)).to_bytes(4, "big")
    packer = zlib.compressobj(level=9, wbits=12, memLevel=5)
    plain = issued.to_bytes(8, "big") + packer.compress(content) + packer.flush()
    assert plain[8] == 0x48
    whole = period + AESSIV(derived(b"s" * 32, period)).encrypt(plain, [period])
    sealed = SEAL.seal(content, AT + timedelta(microseconds=999_999))
    assert sealed == base64.urlsafe_b64encode(whole).decode().rstrip("=")
    assert SEAL.open(sealed, AT) == content


EXPIRED = "This link has expired; open a new one from the patient's chart."
DAMAGED = "This link is not one of this service, or was cut off on its way."


def refusal(text: str, at: datetime = AT) -> tuple[str, bool]:
    with pytest.raises(LinkRefused) as refused:
        SEAL.open(text, at)
    return str(refused.value), refused.value.expired


@pytest.mark.parametrize("begins", [AT, AT.replace(hour=12), AT.replace(hour=11, minute=59, second=59)])
def test_a_link_opens_to_the_last_second_and_not_before_it_was_issued(begins: datetime) -> None:
    sealed = SEAL.seal(b"x", begins)
    assert SEAL.open(sealed, begins + timedelta(hours=12)) == b"x"
    for seconds in (-1, 12 * 3600 + 1, 24 * 3600, 30 * 3600):
        assert refusal(sealed, begins + timedelta(seconds=seconds)) == (EXPIRED, True)


def unpadded(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


NOW_PERIOD = (int(AT.timestamp()) // (HOURS * 3600)).to_bytes(4, "big")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", (DAMAGED, False)),
        ("A", (DAMAGED, False)),
        ("a b", (DAMAGED, False)),
        ("ü" * 40, (DAMAGED, False)),
        (unpadded(bytes(20)), (DAMAGED, False)),
        (unpadded(bytes(21)), (EXPIRED, True)),
        (unpadded(NOW_PERIOD + bytes(17)), (DAMAGED, False)),
        (SEAL.seal(b"x", AT)[:-8], (DAMAGED, False)),
        (base64.b64encode(NOW_PERIOD + b"\xff" * 17).decode(), (DAMAGED, False)),
    ],
)
def test_a_refusal_says_whether_the_link_once_was_good(text: str, said: tuple[str, bool]) -> None:
    assert refusal(text) == said


def test_a_link_may_have_64_000_characters_and_no_more() -> None:
    noise = random.Random(2).randbytes(48_000)
    surplus = len(base64.urlsafe_b64decode(SEAL.seal(noise, AT) + "==")) - 48_000
    longest = noise[: 48_000 - surplus]
    assert len(SEAL.seal(longest, AT)) == LONGEST == 64_000
    assert SEAL.open(SEAL.seal(longest, AT), AT) == longest
    assert refusal(SEAL.seal(noise[: len(longest) + 1], AT)) == (DAMAGED, False)


def test_what_unfolds_without_end_is_cut_off_at_a_million_bytes() -> None:
    assert SEAL.open(SEAL.seal(bytes(1_000_001), AT), AT) == bytes(1_000_000)
