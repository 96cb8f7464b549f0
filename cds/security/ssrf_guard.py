"""Whom we call: only listed servers, only at addresses that may be called, and at the very address that was checked.

A name is resolved once for each request and the connection goes to that address, so a name that changes its meaning between
the check and the call (DNS rebinding) gains nothing. TLS still checks the certificate against the name.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
import ssl
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from typing import TypeAlias

import httpx

from rules.errors import NuqueError

Address: TypeAlias = ipaddress.IPv4Address | ipaddress.IPv6Address
Network: TypeAlias = ipaddress.IPv4Network | ipaddress.IPv6Network
Resolver: TypeAlias = Callable[[str, int], Awaitable[list[str]]]

_PORTS = {"http": 80, "https": 443}
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")
_GLOBAL_UNICAST = ipaddress.IPv6Network("2000::/3")
"""All that IANA has given out of IPv6 for the public internet; the rest holds site-local and other wrapping addresses."""


class ReachError(NuqueError):
    """A server must not be called. The message says why and never holds a path, a query or a token."""


@dataclass(frozen=True)
class Origin:
    """Scheme, host and port of a server: what an allow-list compares."""

    scheme: str
    host: str
    port: int

    @classmethod
    def of(cls, url: str | httpx.URL) -> Origin:
        """The origin of ``url``. Raises ReachError where it is not an absolute http(s) URL, or carries a user name."""
        try:
            parsed = httpx.URL(url)
            host = parsed.host
        except (httpx.InvalidURL, TypeError) as error:
            raise ReachError(f"not a URL: {error}") from error
        except UnicodeError as error:
            raise ReachError("not a URL: its host is not an internationalised domain name (punycode)") from error
        if parsed.scheme not in _PORTS or not host:
            raise ReachError("not an absolute http or https URL")
        if parsed.userinfo:
            raise ReachError("a URL with a user name or password is not accepted")
        # The raw host is what will be connected to (punycode); both sides of every comparison go through here.
        return cls(parsed.scheme, parsed.raw_host.decode("ascii").lower(), parsed.port or _PORTS[parsed.scheme])

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}" + ("" if self.port == _PORTS[self.scheme] else f":{self.port}")


def listed_origins(urls: Iterable[str], setting: str) -> frozenset[Origin]:
    """The origins of ``urls``, which a site listed.

    Raises ReachError naming ``setting`` where an entry is more or less than an origin.
    """
    found = set()
    for url in urls:
        try:
            origin = Origin.of(url)
        except ReachError as error:
            raise ReachError(f"{setting}: {url!r}: {error}") from error
        if httpx.URL(url).raw_path not in (b"/", b"") or "#" in url:
            raise ReachError(f"{setting}: {url!r}: give scheme, host and port only, without a path")
        found.add(origin)
    return frozenset(found)


def listed_networks(networks: Iterable[str], setting: str) -> tuple[Network, ...]:
    """The ``networks`` that a site listed. Raises ReachError naming ``setting`` and the entry."""
    found = []
    for network in networks:
        try:
            found.append(ipaddress.ip_network(network))
        except ValueError as error:
            raise ReachError(f"{setting}: {network!r}: not a network such as 10.20.0.0/16 ({error})") from error
    return tuple(found)


def address_problem(text: str, private: Iterable[Network]) -> str | None:
    """Why the IP address ``text`` must not be called, or None; the ``private`` networks may be.

    Addresses that wrap an IPv4 address are judged by what they wrap.
    """
    address: Address = ipaddress.ip_address(text.split("%", 1)[0])
    if isinstance(address, ipaddress.IPv6Address):
        if address in _NAT64:
            address = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        else:
            address = address.ipv4_mapped or address.sixtofour or address
    if any(address.version == network.version and address in network for network in private):
        return None
    public = address.version == 4 or address in _GLOBAL_UNICAST
    if public and address.is_global and not address.is_multicast:
        return None
    return f"the address {address} is private, local or reserved, and not in NUQUE_PRIVATE_NETWORKS"


async def resolve(host: str, port: int) -> list[str]:
    """The addresses of ``host`` as the system's resolver gives them for a TCP connection to ``port``. Raises OSError."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return [str(entry[4][0]) for entry in found]


class PinnedTransport(httpx.AsyncBaseTransport):
    """Carries requests to one origin, each to an address that was checked for that very request.

    One transport for each origin: two names at one address must not share a TLS connection that was checked for the other.
    """

    def __init__(
        self,
        origin: Origin,
        private: tuple[Network, ...],
        *,
        resolver: Resolver = resolve,
        most_connections: int | None = 8,
    ) -> None:
        """Serve ``origin``; ``private`` are the networks that may be called although they are not public.

        ``most_connections`` at once; None where whoever asks holds to a limit of its own.
        """
        self.origin = origin
        self._private = private
        self._resolver = resolver
        limits = httpx.Limits(max_connections=most_connections, max_keepalive_connections=most_connections or 8)
        verify = ssl.create_default_context() if origin.scheme == "https" else False
        self._inner = httpx.AsyncHTTPTransport(verify=verify, trust_env=False, limits=limits)

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        """Resolve, check, and send. Raises ReachError where the address must not be called, httpx.ConnectError if unknown."""
        if Origin.of(request.url) != self.origin:
            raise ReachError(f"only {self.origin} is called here")
        try:
            addresses = await self._resolver(self.origin.host, self.origin.port)
        except OSError as error:
            raise httpx.ConnectError(f"the name {self.origin.host} cannot be resolved", request=request) from error
        for address in addresses:
            if problem := address_problem(address, self._private):
                raise ReachError(f"{self.origin.host}: {problem}")
        if not addresses:
            raise httpx.ConnectError(f"the name {self.origin.host} has no address", request=request)
        extensions = dict(request.extensions)
        if addresses[0] != self.origin.host:
            extensions["sni_hostname"] = self.origin.host
        pinned = httpx.Request(
            request.method,
            request.url.copy_with(host=addresses[0]),
            headers=request.headers,
            stream=request.stream,
            extensions=extensions,
        )
        return await self._inner.handle_async_request(pinned)

    async def aclose(self) -> None:
        """Close the connections."""
        await self._inner.aclose()


class AnswerTooLong(NuqueError):
    """An answer is longer than is accepted."""


async def read_bounded(response: httpx.Response, most: int) -> bytes:
    """The body of a streamed ``response``, at most ``most`` bytes. Raises AnswerTooLong.

    A compressed body is refused: we ask for none, and a small one can unpack to gigabytes.
    """
    if response.headers.get("content-encoding", "identity").lower() != "identity":
        raise AnswerTooLong("the answer is compressed although none was asked for")
    parts, length = [], 0
    async for part in response.aiter_raw():
        length += len(part)
        if length > most:
            raise AnswerTooLong(f"the answer is longer than {most} bytes")
        parts.append(part)
    return b"".join(parts)
