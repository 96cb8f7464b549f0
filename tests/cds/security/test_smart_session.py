"""The two cookies of a SMART launch: what opens them, and until when."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from cds.security.caller import Caller, HttpCall
from cds.security.sealed_links import LinkSeal
from cds.security.smart_session import LAUNCH, SESSION, PendingLaunch, Session, SmartSessions

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
ISS = "https://fhir.example"


def sessions(at: datetime = AT, secret: bytes = b"s" * 32) -> SmartSessions:
    return SmartSessions(LinkSeal(secret, 12), lambda: at)


LAUNCHED = PendingLaunch(iss=ISS, state="a state", verifier="a verifier", expires=AT + timedelta(minutes=10))
OPENED = Session(iss=ISS, patient="p1", expires=AT + timedelta(minutes=5))


def call(**cookies: str) -> HttpCall:
    return HttpCall(
        "/", {"cookie": ["; ".join(f"{name.replace('_', '-')}={value}" for name, value in cookies.items())]}
    )


def test_a_moment_from_now_is_later_by_the_span() -> None:
    assert sessions().lasting(timedelta(minutes=7)) == datetime(2026, 1, 31, 10, 7, tzinfo=UTC)


def test_what_was_sealed_comes_back() -> None:
    both = call(nuque_launch=sessions().sealed(LAUNCHED), nuque_session=sessions().sealed(OPENED))
    assert (LAUNCH, SESSION) == ("nuque-launch", "nuque-session")
    assert sessions().pending(both) == LAUNCHED
    assert sessions().caller(both) == Caller("smart", tenant=ISS, patient="p1")


def test_cookies_may_come_in_several_headers() -> None:
    """HTTP/2 allows that (RFC 9113, section 8.2.3)."""
    parts = ["theme=dark", f"nuque-session={sessions().sealed(OPENED)}", "other=1"]
    assert sessions().caller(HttpCall("/", {"cookie": parts})) == Caller("smart", tenant=ISS, patient="p1")


@pytest.mark.parametrize("other", ["a/b=1", "=1", "bare", 'quoted="a; b"', "ü=1", "nuque-sessions=x"])
def test_what_others_on_this_host_set_locks_nobody_out(other: str) -> None:
    """A browser sends back what it was given, also names that RFC 6265, section 4.1.1, does not allow."""
    mine = f"nuque-session={sessions().sealed(OPENED)}"
    opened = Caller("smart", tenant=ISS, patient="p1")
    assert sessions().caller(HttpCall("/", {"cookie": [f"{other}; {mine}"]})) == opened
    assert sessions().caller(HttpCall("/", {"cookie": [f"{mine}; {other}"]})) == opened


@pytest.mark.parametrize(
    ("seconds", "opens"),
    [(-1, False), (0, True), (299, True), (300, False), (301, False), (13 * 3600, False)],
)
def test_a_session_opens_from_when_it_began_until_it_ends(seconds: int, opens: bool) -> None:
    later = sessions(AT + timedelta(seconds=seconds))
    opened = call(nuque_session=sessions().sealed(OPENED))
    assert later.caller(opened) == (Caller("smart", tenant=ISS, patient="p1") if opens else None)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"cookie": []},
        {"cookie": [""]},
        {"cookie": ["nuque-session="]},
        {"cookie": ["nuque-session=AAAA"]},
        {"cookie": [f"nuque-launch={sessions().sealed(OPENED)}"]},
        {"cookie": [f"nuque-session={sessions().sealed(LAUNCHED)}"]},
        {"cookie": [f"nuque-session={sessions(secret=b'o' * 32).sealed(OPENED)}"]},
        {"cookie": [f"nuque-session={LinkSeal(b's' * 32, 12).seal(b'[]', AT)}"]},
        {"cookie": [f"nuque-session =; nuque-session={sessions().sealed(OPENED)}"]},
    ],
)
def test_whatever_else_is_sent_is_no_session(headers: dict[str, list[str]]) -> None:
    assert sessions().caller(HttpCall("/", headers)) is None
    assert sessions().pending(HttpCall("/", headers)) is None
