"""Whom the service calls: origins, networks, addresses, and what a connection is made with."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from cds.security.ssrf_guard import (
    AnswerTooLong,
    Origin,
    PinnedTransport,
    ReachError,
    address_problem,
    listed_networks,
    listed_origins,
    read_bounded,
    resolve,
)

# --- origins ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("url", "origin", "written"),
    [
        ("https://EHR.example/fhir?x=1#y", Origin("https", "ehr.example", 443), "https://ehr.example"),
        ("http://ehr.example", Origin("http", "ehr.example", 80), "http://ehr.example"),
        ("http://ehr.example:443", Origin("http", "ehr.example", 443), "http://ehr.example:443"),
        ("https://ehr.example:8443/", Origin("https", "ehr.example", 8443), "https://ehr.example:8443"),
        ("https://[FD00::7]/", Origin("https", "fd00::7", 443), "https://[fd00::7]"),
        ("https://[fd00::7]:8443", Origin("https", "fd00::7", 8443), "https://[fd00::7]:8443"),
        # An internationalised name is called by its ASCII form (RFC 5890).
        ("https://bücher.example", Origin("https", "xn--bcher-kva.example", 443), "https://xn--bcher-kva.example"),
    ],
)
def test_an_origin_is_scheme_host_and_port(url: str, origin: Origin, written: str) -> None:
    """RFC 6454, section 4, with the default ports of RFC 9110, section 4.2."""
    assert Origin.of(url) == Origin.of(httpx.URL(url)) == origin
    assert str(origin) == written


@pytest.mark.parametrize(
    ("url", "message"),
    [
        ("ftp://ehr.example", "not an absolute http or https URL"),
        ("/fhir", "not an absolute http or https URL"),
        ("https:///fhir", "not an absolute http or https URL"),
        ("https://a@ehr.example", "a URL with a user name or password is not accepted"),
        ("https://:b@ehr.example", "a URL with a user name or password is not accepted"),
        ("https://ehr.example:x", "not a URL: Invalid port: 'x'"),
        ("https://xn--a.example", "not a URL: its host is not an internationalised domain name (punycode)"),
    ],
)
def test_what_is_no_origin_is_refused_with_the_reason(url: str, message: str) -> None:
    with pytest.raises(ReachError) as error:
        Origin.of(url)
    assert str(error.value) == message
    with pytest.raises(ReachError) as error:
        listed_origins([url], "NUQUE_X")
    assert str(error.value) == f"NUQUE_X: {url!r}: {message}"


@pytest.mark.parametrize("more", ["/fhir", "/?x=1", "?x=1", "#y", "//"])
def test_a_listed_origin_is_no_more_than_an_origin(more: str) -> None:
    with pytest.raises(ReachError) as error:
        listed_origins(["https://ehr.example/", f"https://ehr.example{more}"], "NUQUE_X")
    assert str(error.value) == (
        f"NUQUE_X: 'https://ehr.example{more}': give scheme, host and port only, without a path"
    )


def test_listed_origins_are_all_those_listed() -> None:
    listed = listed_origins(["https://ehr.example/", "https://ehr.example", "http://lab.example:8080"], "NUQUE_X")
    assert listed == {Origin("https", "ehr.example", 443), Origin("http", "lab.example", 8080)}


def test_a_wrong_network_is_named_with_its_setting() -> None:
    assert [str(network) for network in listed_networks(("10.0.0.0/8", "fd00::/8"), "NUQUE_X")] == [
        "10.0.0.0/8",
        "fd00::/8",
    ]
    with pytest.raises(ReachError) as error:
        listed_networks(("10.0.0.0/8", "10.0.0.1/8"), "NUQUE_X")
    assert str(error.value) == (
        "NUQUE_X: '10.0.0.1/8': not a network such as 10.20.0.0/16 (10.0.0.1/8 has host bits set)"
    )


# --- addresses -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "judged"),
    [
        ("10.0.0.1", "10.0.0.1"),
        ("127.0.0.1", "127.0.0.1"),
        ("169.254.169.254", "169.254.169.254"),
        ("100.64.0.1", "100.64.0.1"),
        ("224.0.0.1", "224.0.0.1"),
        ("::1", "::1"),
        ("fe80::1%eth0", "fe80::1"),
        ("fd00::1", "fd00::1"),
        ("ff0e::1", "ff0e::1"),
        ("1000::1", "1000::1"),
        # Wrapped: mapped (RFC 4291, 2.5.5.2), NAT64 (RFC 6052, 2.1) and 6to4 (RFC 3056, 2) hold an IPv4 address.
        ("::ffff:10.0.0.1", "10.0.0.1"),
        ("64:ff9b::10.0.0.1", "10.0.0.1"),
        ("2002:a00:1::", "10.0.0.1"),
    ],
)
def test_an_address_that_is_not_public_is_refused_with_what_it_is(address: str, judged: str) -> None:
    """The special-purpose registries of IANA (RFC 6890) and the multicast ranges of RFC 5771 and RFC 4291."""
    problem = f"the address {judged} is private, local or reserved, and not in NUQUE_PRIVATE_NETWORKS"
    others = listed_networks(("192.168.0.0/16", "fc00:1::/32"), "x")
    assert address_problem(address, ()) == address_problem(address, others) == problem


@pytest.mark.parametrize(
    ("address", "private"),
    [
        ("9.9.9.9", ()),
        ("2620:fe::fe", ()),
        ("::ffff:9.9.9.9", ()),
        ("64:ff9b::9.9.9.9", ()),
        ("64:ff9b::255.254.253.252", ("255.254.253.252/32",)),
        ("2002:909:909::", ()),
        ("10.1.2.3", ("fd00::/8", "10.1.2.0/24")),
        ("::ffff:10.1.2.3", ("10.1.2.0/24",)),
        ("fd00::7%1", ("10.1.2.0/24", "fd00::/8")),
    ],
)
def test_a_public_or_a_listed_address_may_be_called(address: str, private: tuple[str, ...]) -> None:
    assert address_problem(address, listed_networks(private, "x")) is None


def test_a_name_is_resolved_for_a_tcp_connection_to_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[Any, ...]] = []

    async def getaddrinfo(host: str, port: int, **more: Any) -> list[tuple[Any, ...]]:
        asked.append((host, port, more))
        return [(2, 1, 6, "name", ("192.0.2.1", port)), (10, 1, 6, "name", ("2001:db8::1", port, 0, 0))]

    async def work() -> list[str]:
        monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", getaddrinfo)
        return await resolve("ehr.example", 8443)

    assert asyncio.run(work()) == ["192.0.2.1", "2001:db8::1"]
    assert asked == [("ehr.example", 8443, {"type": socket.SOCK_STREAM})]


# --- the connection --------------------------------------------------------------------------------------------------


class Inner(httpx.AsyncBaseTransport):
    """Stands for the transport that opens sockets; keeps what it was made with, what was sent, and whether it was closed."""

    made: dict[str, Any]

    def __init__(self, **made: Any) -> None:
        Inner.made = made
        self.sent: list[httpx.Request] = []
        self.closed = False

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        self.sent.append(request)
        return httpx.Response(204)

    async def aclose(self) -> None:
        self.closed = True


HTTPS = Origin("https", "ehr.example", 8443)


def pinned(monkeypatch: pytest.MonkeyPatch, addresses: Any, origin: Origin = HTTPS) -> tuple[PinnedTransport, Inner]:
    """A transport to ``origin``, whose name has ``addresses`` (or cannot be resolved), and what stands below it."""
    monkeypatch.setattr(httpx, "AsyncHTTPTransport", Inner)

    async def resolver(host: str, port: int) -> list[str]:
        assert (host, port) == (origin.host, origin.port)
        if isinstance(addresses, Exception):
            raise addresses
        return list(addresses)

    made = PinnedTransport(origin, listed_networks(("10.0.0.0/8",), "x"), resolver=resolver)
    inner = made._inner
    assert isinstance(inner, Inner)
    return made, inner


def test_a_request_goes_to_the_first_address_under_the_name_of_the_server(monkeypatch: pytest.MonkeyPatch) -> None:
    transport, inner = pinned(monkeypatch, ["10.0.0.7", "9.9.9.9"])
    request = httpx.Request(
        "POST",
        "https://ehr.example:8443/fhir?x=1",
        headers={"x-of-ours": "1"},
        content=b"body",
        extensions={"timeout": {"read": 1.0}},
    )
    answer = asyncio.run(transport.handle_async_request(request))
    assert answer.status_code == 204
    (sent,) = inner.sent
    assert (sent.method, str(sent.url)) == ("POST", "https://10.0.0.7:8443/fhir?x=1")
    # The name stays in Host (RFC 9110, section 7.2) and in TLS (RFC 6066, section 3).
    assert sent.headers["host"] == "ehr.example:8443" and sent.headers["x-of-ours"] == "1"
    assert sent.extensions == {"timeout": {"read": 1.0}, "sni_hostname": "ehr.example"}
    assert sent.stream is request.stream
    assert "sni_hostname" not in request.extensions
    asyncio.run(transport.aclose())
    assert inner.closed


def test_a_server_that_is_an_address_has_no_name_in_tls(monkeypatch: pytest.MonkeyPatch) -> None:
    transport, inner = pinned(monkeypatch, ["10.0.0.7"], Origin("https", "10.0.0.7", 443))
    asyncio.run(transport.handle_async_request(httpx.Request("GET", "https://10.0.0.7/x")))
    assert [("sni_hostname" in sent.extensions, str(sent.url)) for sent in inner.sent] == [
        (False, "https://10.0.0.7/x")
    ]


PRIVATE = "is private, local or reserved, and not in NUQUE_PRIVATE_NETWORKS"


@pytest.mark.parametrize(
    ("addresses", "url", "kind", "message"),
    [
        (["10.0.0.7"], "https://other.example:8443/", ReachError, "only https://ehr.example:8443 is called here"),
        (["10.0.0.7"], "https://ehr.example/", ReachError, "only https://ehr.example:8443 is called here"),
        (["10.0.0.7"], "http://ehr.example:8443/", ReachError, "only https://ehr.example:8443 is called here"),
        (["10.0.0.7", "127.0.0.1"], "", ReachError, f"ehr.example: the address 127.0.0.1 {PRIVATE}"),
        ([], "", httpx.ConnectError, "the name ehr.example has no address"),
        (OSError("unknown"), "", httpx.ConnectError, "the name ehr.example cannot be resolved"),
    ],
)
def test_whatever_else_is_asked_for_is_not_called(
    monkeypatch: pytest.MonkeyPatch, addresses: Any, url: str, kind: type[Exception], message: str
) -> None:
    transport, inner = pinned(monkeypatch, addresses)
    request = httpx.Request("GET", url or "https://ehr.example:8443/x")
    with pytest.raises(kind) as error:
        asyncio.run(transport.handle_async_request(request))
    assert str(error.value) == message
    assert inner.sent == []
    if isinstance(error.value, httpx.ConnectError):
        assert error.value.request is request


@pytest.mark.parametrize(("most", "alive"), [({}, 8), ({"most_connections": 3}, 3), ({"most_connections": None}, 8)])
def test_connections_are_few_checked_and_past_no_proxy(
    monkeypatch: pytest.MonkeyPatch, most: dict[str, Any], alive: int
) -> None:
    """By the environment's proxy a call would go to an address that nobody checked."""
    monkeypatch.setattr(httpx, "AsyncHTTPTransport", Inner)
    PinnedTransport(HTTPS, (), **most)
    verify = Inner.made.pop("verify")
    assert isinstance(verify, ssl.SSLContext)
    assert (verify.verify_mode, verify.check_hostname) == (ssl.CERT_REQUIRED, True)
    limits = httpx.Limits(max_connections=most.get("most_connections", 8), max_keepalive_connections=alive)
    assert Inner.made == {"trust_env": False, "limits": limits}
    PinnedTransport(Origin("http", "localhost", 80), (), **most)
    assert Inner.made == {"verify": False, "trust_env": False, "limits": limits}


# --- the answer ------------------------------------------------------------------------------------------------------


def answered(*parts: bytes, **headers: str) -> httpx.Response:
    async def stream() -> AsyncIterator[bytes]:
        for part in parts:
            yield part

    return httpx.Response(200, headers={n.replace("_", "-"): v for n, v in headers.items()}, content=stream())


@pytest.mark.parametrize("headers", [{}, {"content_encoding": "identity"}, {"content_encoding": "Identity"}])
def test_an_answer_is_read_up_to_its_bound(headers: dict[str, str]) -> None:
    assert asyncio.run(read_bounded(answered(b"abc", b"", b"de", **headers), 5)) == b"abcde"


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (lambda: answered(b"abc", b"def"), "the answer is longer than 5 bytes"),
        (lambda: answered(b"abcdef"), "the answer is longer than 5 bytes"),
        (lambda: answered(content_encoding="gzip"), "the answer is compressed although none was asked for"),
        (lambda: answered(content_encoding="identity, br"), "the answer is compressed although none was asked for"),
    ],
)
def test_a_longer_or_a_compressed_answer_is_refused(answer: Any, message: str) -> None:
    with pytest.raises(AnswerTooLong) as error:
        asyncio.run(read_bounded(answer(), 5))
    assert str(error.value) == message
