"""HEAD is answered as GET without its body, over the wire too (RFC 9110, 9.3.2)."""

import httpx
import pytest
from fastapi.testclient import TestClient

from tests.cds.live_service import PATIENCE_SECONDS, running

PATHS = ["/cds-services", "/health/live", "/facts", "/openapi.json"]


@pytest.mark.parametrize("path", PATHS)
def test_head_has_the_status_and_headers_of_get(client: TestClient, path: str) -> None:
    get, head = client.get(path), client.head(path)
    assert (head.status_code, head.content) == (get.status_code, b"")
    assert head.status_code == 200
    assert head.headers["content-type"] == get.headers["content-type"]
    assert head.headers["content-length"] == get.headers["content-length"]


def test_head_of_what_takes_post_alone_is_refused(client: TestClient) -> None:
    assert client.head("/decisions").status_code == 405


@pytest.mark.slow
def test_head_over_the_wire_leaves_the_connection_usable() -> None:
    with running() as live, httpx.Client(base_url=live.url, timeout=PATIENCE_SECONDS) as connection:
        assert connection.head("/cds-services").status_code == 200
        assert connection.get("/health/live").json() == {"status": "live"}
