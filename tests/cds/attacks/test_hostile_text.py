"""Text, times, headers and tokens that are made to mislead, sent to the running service."""

import json
import re
import socket
import stat
import time
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from click.testing import CliRunner
from cryptography.fernet import Fernet

from cds.cli import main
from tests.cds import ehr
from tests.cds.hook_calls import MEASURED, observation, order_select
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

SELECT = "/cds-services/collar-order-select"
HIDING = "left \u202egnitirw\u202c \u200bzero\u2060 \U000e0041tag \u115fblank \x1b[31mred write@invented.example"


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveService]:
    folder = tmp_path_factory.mktemp("kept")
    key = Fernet.generate_key().decode()
    with running(NUQUE_STORE_URL=f"sqlite:///{folder / 's.sqlite3'}", NUQUE_RECORD_KEYS=key) as started:
        yield started


def hidden(text: str) -> list[str]:
    """What stands in ``text`` and cannot be seen (Unicode general categories C, and the fillers)."""
    return [c for c in text if c != "\n" and (unicodedata.category(c)[0] == "C" or c in "\u115f\u3164\u2800")]


def test_what_cannot_be_seen_stands_on_no_card_and_no_address_becomes_a_link(live: LiveService) -> None:
    odd = observation("neck-height", 66, valueString=HIDING)
    del odd["valueQuantity"]
    answer = httpx.post(f"{live.url}{SELECT}", json=order_select(*MEASURED, odd), timeout=PATIENCE_SECONDS)
    assert answer.status_code == 200
    shown = json.dumps(answer.json(), ensure_ascii=False)
    assert "gnitirw" in shown
    assert hidden(shown) == []
    details = "\n".join(card["detail"] for card in answer.json()["cards"])
    assert not re.search(r"\S@\S", details)


def test_what_cannot_be_seen_stands_in_no_terminal(tmp_path: Path) -> None:
    odd = observation("neck-height", 66, valueString=HIDING)
    del odd["valueQuantity"]
    call = tmp_path / "call.json"
    call.write_text(json.dumps(order_select(*MEASURED, odd)))
    told = CliRunner().invoke(main, ["decide", str(call), "--full"], catch_exceptions=False)
    assert "gnitirw" in told.output
    assert hidden(told.output) == []


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
@pytest.mark.parametrize("path", ["/decisions", "/fit-checks"])
def test_a_moment_beyond_the_calendar_is_refused_also_where_decisions_are_kept(
    live: LiveService, path: str, moment: str
) -> None:
    body = {"facts": {"age_years": 40}, "at": moment}
    if path == "/fit-checks":
        body |= {"size_class": "adult H3 G2", "findings": []}
    refused = httpx.post(f"{live.url}{path}", json=body, timeout=PATIENCE_SECONDS)
    assert (refused.status_code, "calendar" in refused.text or "year 1" in refused.text) == (422, True), refused.text


@pytest.mark.parametrize("host", ["[::1]evil", "[::1]evil.example:80", "localhost:80@evil", "localhost evil", "[::1"])
def test_a_host_that_only_begins_like_this_machine_is_refused(live: LiveService, host: str) -> None:
    address = urlsplit(live.url)
    with socket.create_connection((address.hostname, address.port), timeout=PATIENCE_SECONDS) as connection:
        connection.sendall(f"GET /facts HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        status = connection.recv(12)
    assert status in (b"HTTP/1.1 403", b"HTTP/1.1 400")


def test_a_token_whose_header_names_a_key_twice_is_refused(tmp_path: Path) -> None:
    given = {"NUQUE_TRUST": "jwt", "NUQUE_CLIENTS": str(ehr.clients_file(tmp_path)), "NUQUE_AUDIENCES": ehr.BASE}
    given |= {"NUQUE_PSEUDONYM_KEY": "k" * 32, "NUQUE_STORE_URL": f"sqlite:///{tmp_path / 's.sqlite3'}"}
    with running(**given) as live:
        statuses = []
        for twice in (False, True):
            now = time.time()
            payload = ehr.claims(aud=f"{ehr.BASE}/facts", iat=now, exp=now + 120)
            bearer = ehr.token_with_a_key_twice(payload) if twice else ehr.token(payload)
            got = httpx.get(
                f"{live.url}/facts", headers={"Authorization": f"Bearer {bearer}"}, timeout=PATIENCE_SECONDS
            )
            statuses.append(got.status_code)
    assert statuses == [200, 401]


def test_the_file_of_the_store_is_for_its_owner_alone_whatever_the_umask(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite3"
    with running(umask=0, NUQUE_STORE_URL=f"sqlite:///{path}") as live:
        assert httpx.get(f"{live.url}/health/ready", timeout=PATIENCE_SECONDS).status_code == 200
        modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in tmp_path.glob("s.sqlite3*")}
    assert "s.sqlite3" in modes
    assert set(modes.values()) == {0o600}
