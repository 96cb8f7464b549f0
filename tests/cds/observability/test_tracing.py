"""Traces: one span a call, named by its route, without anything that a caller sent."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter

from cds.bootstrap.app import create_app
from cds.observability.tracing import instrument
from cds.settings import SeeingSettings, Settings
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.live_service import PATIENCE_SECONDS, running

SELECT = "/cds-services/collar-order-select"


@pytest.fixture
def spans() -> tuple[InMemorySpanExporter, TracerProvider]:
    exporter, provider = InMemorySpanExporter(), TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    return exporter, provider


def attributes(exporter: InMemorySpanExporter) -> list[dict[str, Any]]:
    return [json.loads(span.to_json()) for span in exporter.get_finished_spans()]


def test_a_call_is_a_span_named_by_its_route_without_what_was_sent(
    spans: tuple[InMemorySpanExporter, TracerProvider],
) -> None:
    exporter, provider = spans
    app: FastAPI = create_app(Settings())
    instrument(app, SeeingSettings(traces=True), provider)
    with TestClient(app) as client:
        sent = {"User-Agent": "patient-p1", "Host": "host-p1.example", "tracestate": "ehr=p1", "baggage": "patient=p1"}
        sent["traceparent"] = (
            "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"  # W3C Trace Context, section 3.2.3.
        )
        client.post(f"{SELECT}?patient=p1", json=order_select(*MEASURED), headers=sent)
        client.get("/health/live")
    found = attributes(exporter)
    assert f"POST {SELECT}" in {span["name"] for span in found}
    assert not any("/health" in span["name"] for span in found)
    assert "p1" not in json.dumps(found).replace("http://", "")
    assert {span["context"]["trace_id"] for span in found} == {"0x0af7651916cd43dd8448eb211c80319c"}


def test_without_the_setting_there_are_none(spans: tuple[InMemorySpanExporter, TracerProvider]) -> None:
    exporter, provider = spans
    app: FastAPI = create_app(Settings())
    instrument(app, SeeingSettings(), provider)
    with TestClient(app) as client:
        client.get("/facts")
    assert attributes(exporter) == []


class Collector(BaseHTTPRequestHandler):
    """Takes what is sent over OTLP/HTTP."""

    received: list[tuple[str, bytes]]

    def do_POST(self) -> None:
        self.received.append((self.path, self.rfile.read(int(self.headers["Content-Length"]))))
        self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        pass


@pytest.mark.slow
def test_a_running_service_sends_its_spans_to_a_collector() -> None:
    Collector.received = []
    with ThreadingHTTPServer(("127.0.0.1", 0), Collector) as server:
        threading.Thread(target=server.serve_forever, args=(0.01,)).start()
        whereto = {"OTEL_EXPORTER_OTLP_ENDPOINT": f"http://127.0.0.1:{server.server_port}"}
        with running(NUQUE_TRACES="true", **whereto) as live:
            httpx.post(
                f"{live.url}{SELECT}?patient=p1", json=order_select(*MEASURED), timeout=PATIENCE_SECONDS
            ).raise_for_status()
        server.shutdown()
    assert {path for path, _ in Collector.received} == {"/v1/traces"}
    sent = b"".join(body for _, body in Collector.received)
    assert f"POST {SELECT}".encode() in sent and b"p1" not in sent
