"""Start and end the two processes, and the hook call that has the service read from them."""

from __future__ import annotations

import copy
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from tests.cds.faults.fhir_server import PATIENT, TOKEN
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.live_service import PATIENCE_SECONDS

ROOT = Path(__file__).resolve().parents[3]


@contextmanager
def running(module: str, *arguments: str) -> Iterator[int]:
    """The port of ``python -m module``, which ends with the block."""
    command = [sys.executable, "-m", module, *arguments]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield int(process.stdout.readline())
        finally:
            process.kill()


class FaultyFhir:
    """A FHIR server behind the fault proxy: ``base`` goes through the proxy, ``direct`` does not."""

    def __init__(self, server_port: int, proxy_port: int) -> None:
        self.direct = f"http://127.0.0.1:{server_port}/fhir"
        self.origin = f"http://127.0.0.1:{proxy_port}"
        self.base = f"{self.origin}/fhir"

    def break_as(self, fault: str) -> None:
        httpx.put(f"{self.origin}/-/fault/{fault}", timeout=PATIENCE_SECONDS).raise_for_status()

    def seen(self) -> list[dict[str, Any]]:
        return list(self._told()["requests"])

    def most_at_once(self) -> int:
        return int(self._told()["most_at_once"])

    def _told(self) -> dict[str, Any]:
        return dict(httpx.get(f"{self.origin}/-/seen", timeout=PATIENCE_SECONDS).json())


@contextmanager
def faulty_fhir() -> Iterator[FaultyFhir]:
    with running("tests.cds.faults.fhir_server") as server, running("tests.cds.faults.proxy", str(server)) as proxy:
        yield FaultyFhir(server, proxy)


def without_prefetch(base: str) -> dict[str, Any]:
    """A call of order-select that brings the address ``base`` and a token in place of the prefetch."""
    call = copy.deepcopy(order_select(*MEASURED))
    call["context"]["patientId"] = PATIENT
    for entry in call["context"]["draftOrders"]["entry"]:
        entry["resource"]["subject"] = {"reference": f"Patient/{PATIENT}"}
    authorization = {
        "access_token": TOKEN,
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "patient/*.read",
        "subject": "nuque",
    }
    return call | {"prefetch": {}, "fhirServer": base, "fhirAuthorization": authorization}
