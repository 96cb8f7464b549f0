"""Open mode is for this machine only: where the service may listen, and which calls it answers."""

from __future__ import annotations

import ipaddress
import re
from functools import lru_cache

from cds.security.caller import HttpCall, NotTrusted
from cds.settings import TrustSettings
from rules.errors import NuqueError

IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address

_LONGEST_ADDRESS = 64
_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+)(?::[0-9]{0,5})?")


class TrustSettingsError(NuqueError):
    """The settings of trust contradict each other or cannot be used."""


def check_bind(settings: TrustSettings, host: str) -> None:
    """Refuse to listen on ``host`` where ``settings`` trust everybody and others could reach it. Raises TrustSettingsError."""
    if settings.trust == "open" and not is_loopback(host):
        raise TrustSettingsError(
            f"NUQUE_HOST={host}: while NUQUE_TRUST is 'open' anybody may call, so the service listens on 127.0.0.1 only; "
            "set NUQUE_TRUST=jwt and NUQUE_CLIENTS to be reached from elsewhere"
        )


def check_local(call: HttpCall) -> None:
    """Refuse a ``call`` of any other machine, also when something else than ``nuque serve`` opened the socket.

    The name in Host is checked too: a page on the internet can have its own name point at 127.0.0.1. Raises NotTrusted.
    """
    sockets = [host for host in (call.local, call.peer) if host is not None and _is_address(host)]
    if not sockets:
        return  # Called inside this process; there is no network.
    if not all(map(is_loopback, [*sockets, _without_port(call.one("host") or "")])):
        raise NotTrusted(
            403,
            "not_local",
            "in open mode only this machine may call, as localhost; docs/settings.md says how others are let in",
        )


def is_loopback(host: str) -> bool:
    """Whether ``host`` (an address, an IPv6 address in brackets, or a name) is this machine."""
    address = _address(host)
    return host == "localhost" if address is None else address.is_loopback


def _without_port(host: str) -> str:
    """The host of a Host header; empty where it is none (RFC 9110, section 7.2): then nobody is meant."""
    found = _HOST.fullmatch(host)
    return "" if found is None else found[1]


def _is_address(host: str) -> bool:
    return _address(host) is not None


def _address(host: str) -> IPAddress | None:
    return _parsed(host) if len(host) <= _LONGEST_ADDRESS else None


@lru_cache(1024)
def _parsed(host: str) -> IPAddress | None:
    try:
        return ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return None
