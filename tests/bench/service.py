"""A call of order-select through the whole application, against an empty route of the same framework."""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime

from tests.bench.child import in_child
from tests.bench.measured import Measured, seconds

CALLS = 100
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def measure() -> Iterator[Measured]:
    """Checks, limits, log, reading, decision, orders, cards and store, all in one process; the network is left out."""
    with tempfile.TemporaryDirectory() as folder:
        calling, empty = in_child("tests.bench.service:taken", NUQUE_STORE_URL=f"sqlite:///{folder}/store.sqlite3")
    yield Measured(
        "order-select, a measured patient with a collar order", calling, empty, "an empty route of FastAPI", "ms"
    )


def taken() -> tuple[float, float]:
    """Milliseconds of processor time for a call of order-select and of an empty route, by the same client."""
    from fastapi import FastAPI
    from fastapi.testclient import TestClient

    from cds.bootstrap.app import create_app
    from cds.observability import logging as logs
    from cds.settings import Settings
    from tests.cds.hook_calls import MEASURED, order_select

    def call(client: TestClient, path: str) -> None:
        body = {**order_select(*MEASURED), "hookInstance": str(uuid.uuid4())}
        answer = client.post(path, json=body)
        answer.raise_for_status()
        if path != "/" and not answer.json()["cards"]:
            raise ValueError("the call got no card, so this is no measure of one")

    bare = FastAPI()

    @bare.post("/")
    def nothing() -> dict[str, str]:
        return {}

    times = []
    with open(os.devnull, "w") as log:
        logs.configure(log, "info")
        for app, path in ((create_app(Settings(), clock=lambda: AT), "/cds-services/collar-order-select"), (bare, "/")):
            with TestClient(app) as client:
                call(client, path)
                times.append(seconds(lambda c=client, p=path: [call(c, p) for _ in range(CALLS)], times=2))
    return times[0] / CALLS * 1000, times[1] / CALLS * 1000
