"""Sealed links: read by this service only, unchanged, for a while."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.security.pseudonymisation import Secrecy
from cds.security.sealed_links import LinkRefused, LinkSeal
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
