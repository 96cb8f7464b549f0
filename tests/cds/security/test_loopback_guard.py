"""Open mode: where the service may listen, and whom it answers."""

import pytest

from cds.security.caller import HttpCall, NotTrusted
from cds.security.loopback_guard import TrustSettingsError, check_bind, check_local, is_loopback
from cds.settings import TrustSettings


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("127.0.0.1", True),
        ("127.255.255.254", True),
        ("128.0.0.1", False),
        ("::1", True),
        ("[::1]", True),
        ("::2", False),
        ("[::1", True),
        ("localhost", True),
        ("LOCALHOST", False),
        ("localhost.example", False),
        ("", False),
        ("0" * 61 + "::1", False),
        # A zone (RFC 4007, section 11) may follow; of 64 characters an address is read, of more it is not.
        ("::1%" + "z" * 60, True),
        ("::1%" + "z" * 61, False),
    ],
)
def test_this_machine_is_the_loopback_of_rfc_6890_and_localhost(host: str, here: bool) -> None:
    """RFC 6890 lists 127.0.0.0/8 and ::1; RFC 6761, section 6.3, keeps the name localhost for them."""
    assert is_loopback(host) is here


def test_listening_elsewhere_is_refused_with_what_to_set_unless_tokens_are_asked_for() -> None:
    check_bind(TrustSettings(), "127.0.0.1")
    check_bind(TrustSettings(trust="jwt"), "10.0.0.7")
    check_bind(TrustSettings(trust="jwt+mtls-header"), "127.0.0.1")
    with pytest.raises(TrustSettingsError) as error:
        check_bind(TrustSettings(), "10.0.0.7")
    assert str(error.value) == (
        "NUQUE_HOST=10.0.0.7: while NUQUE_TRUST is 'open' anybody may call, so the service listens on 127.0.0.1 only; "
        "set NUQUE_TRUST=jwt and NUQUE_CLIENTS to be reached from elsewhere"
    )


@pytest.mark.parametrize(
    ("local", "peer", "host", "answered"),
    [
        # Nobody called through a network.
        (None, None, "anything.example", True),
        ("testserver", "testclient", None, True),
        ("127.0.0.1", "127.0.0.1", "localhost", True),
        ("::1", "::1", "[::1]:8000", True),
        ("127.0.0.1", None, "127.0.0.1:8000", True),
        (None, "127.0.0.1", "localhost:", True),
        (None, "10.0.0.7", "localhost", False),
        ("10.0.0.7", None, "localhost", False),
        ("testserver", "10.0.0.7", "localhost", False),
        # Host (RFC 9110, section 7.2): a name and a port, nothing else.
        ("127.0.0.1", "127.0.0.1", None, False),
        ("127.0.0.1", "127.0.0.1", "", False),
        ("127.0.0.1", "127.0.0.1", "localhost:800000", False),
        ("127.0.0.1", "127.0.0.1", "localhost@evil.example", False),
        ("127.0.0.1", "127.0.0.1", "localhost:8000@evil.example", False),
        ("127.0.0.1", "127.0.0.1", "evil.example", False),
        ("127.0.0.1", "127.0.0.1", "::1", False),
    ],
)
def test_only_this_machine_is_answered(local: str | None, peer: str | None, host: str | None, answered: bool) -> None:
    call = HttpCall("/", {} if host is None else {"host": [host]}, peer=peer, local=local)
    if answered:
        check_local(call)
        return
    with pytest.raises(NotTrusted) as refused:
        check_local(call)
    assert (refused.value.status, refused.value.reason) == (403, "not_local")
    assert str(refused.value) == (
        "in open mode only this machine may call, as localhost; docs/settings.md says how others are let in"
    )
