"""Whether a server refuses bytes that are not HTTP, by the same bytes that the tests of the service send."""

from __future__ import annotations

import socket
from urllib.parse import urlsplit

from tests.cds.bootstrap.test_http_protocol import NO_HTTP

SENT = len(NO_HTTP)


def refused(url: str) -> int:
    """How many of ``NO_HTTP`` the server at ``url`` answers with a 4xx or a closed connection, and never with anything else."""
    return sum(_is_refused(url, sent) for sent in NO_HTTP.values())


def _is_refused(url: str, sent: bytes) -> bool:
    address = urlsplit(url)
    try:
        with socket.create_connection((address.hostname, address.port), timeout=5) as connection:
            connection.sendall(sent)
            said = connection.recv(12)
    except TimeoutError:
        return False
    except ConnectionError:
        return True
    return said == b"" or said.startswith(b"HTTP/1.1 4")
