"""Through nginx as Debian ships it, with its default limits: what hospitals put before a FHIR server and before this service."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest

from tests.cds.faults.fhir_server import TOKEN
from tests.cds.faults.processes import running as process
from tests.cds.faults.processes import without_prefetch
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.live_service import running

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("faults")]

SELECT = "/cds-services/collar-order-select"
LONGEST_ID = "x" * 64

CONFIGURATION = """
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    server {{
        listen 127.0.0.1:{port};
        location / {{
            proxy_pass {upstream};
            proxy_set_header Host $proxy_host;
        }}
    }}
}}
"""
"""Nothing here sets a limit: each is nginx's default."""


@contextmanager
def nginx(upstream: str, folder: Path) -> Iterator[str]:
    """The address of an nginx that passes everything on to ``upstream``."""
    binary = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
    if binary is None:
        if os.environ.get("CI"):
            pytest.fail("CI must not skip this: apt-get install nginx-light")
        pytest.skip("needs nginx")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    folder.mkdir()
    configuration = folder / "nginx.conf"
    configuration.write_text(CONFIGURATION.format(folder=folder, port=port, upstream=upstream))
    with subprocess.Popen([binary, "-e", f"{folder}/error.log", "-c", str(configuration)]) as server:
        try:
            _wait_for(port, server)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()


def _wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    for _ in range(200):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        assert server.poll() is None, "nginx ended at once"
        time.sleep(0.1)
    raise TimeoutError("nginx does not listen")


def test_every_template_reaches_the_fhir_server(tmp_path: Path) -> None:
    """As a client may send it: every mark encoded, the longest id that FHIR allows."""
    headers = {"authorization": f"Bearer {TOKEN}"}
    with running() as live, process("tests.cds.faults.fhir_server") as fhir:
        services = httpx.get(f"{live.url}/cds-services").json()["services"]
        searches = [template for template in services[0]["prefetch"].values() if "?" in template]
        assert len(searches) > 5
        with nginx(f"http://127.0.0.1:{fhir}", tmp_path / "nginx") as proxy:
            for template in searches:
                kind, _, search = template.replace("{{context.patientId}}", LONGEST_ID).partition("?")
                answer = httpx.get(f"{proxy}/fhir/{kind}?{quote(search, safe='=&')}", headers=headers)
                assert (answer.status_code, answer.json()["resourceType"]) == (200, "Bundle"), template


def test_what_the_prefetch_lacked_is_read_through_it(tmp_path: Path) -> None:
    with (
        process("tests.cds.faults.fhir_server") as fhir,
        nginx(f"http://127.0.0.1:{fhir}", tmp_path / "nginx") as proxy,
        running(NUQUE_FHIR_SERVERS=proxy, NUQUE_PRIVATE_NETWORKS="127.0.0.0/8") as live,
    ):
        answer = httpx.post(live.url + SELECT, json=without_prefetch(f"{proxy}/fhir"), timeout=60)
    assert answer.status_code == 200, answer.text
    decision = answer.json()["extension"]["org.example.nuque.decision"]
    assert not [
        refused for refused in decision["not_used"] if str(refused["value"]).startswith("prefetch.observations")
    ]


def test_a_hook_is_answered_through_it(tmp_path: Path) -> None:
    with running() as live, nginx(live.url, tmp_path / "nginx") as proxy:
        answer = httpx.post(proxy + SELECT, json=order_select(*MEASURED), timeout=60)
    assert answer.status_code == 200, answer.text
    assert answer.json()["cards"][0]["suggestions"]
