"""The event loop gets its turn while other threads are busy."""

import sys

import pytest

from cds.bootstrap import server
from cds.settings import Settings


def test_a_service_is_served_with_these_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    before, seen = sys.getswitchinterval(), []

    def run(self: server.HttpServer) -> None:
        seen.append(sys.getswitchinterval())
        self.started = True

    monkeypatch.setattr(server.HttpServer, "run", run)
    try:
        server.serve(Settings(port=0))
    finally:
        sys.setswitchinterval(before)
    assert seen == [pytest.approx(server.TURN_SECONDS)]
