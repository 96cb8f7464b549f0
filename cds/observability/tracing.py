"""OpenTelemetry traces (extra ``otel``): a span a call, named by its route. Neither headers nor bodies are in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import anyio.to_thread
from fastapi import FastAPI

from cds.settings import SeeingSettings
from rules.errors import NuqueError

if TYPE_CHECKING:
    from opentelemetry.propagators.textmap import TextMapPropagator
    from opentelemetry.sdk.trace import TracerProvider


_PATIENCE_SECONDS = 3.0


class TracesError(NuqueError):
    """Traces are wanted and cannot be made."""


def exporting_provider() -> TracerProvider:
    """A provider that sends over OTLP/HTTP to where the ``OTEL_`` variables say. Raises TracesError."""
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.trace import TracerProvider
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ModuleNotFoundError as error:
        raise TracesError("NUQUE_TRACES: needs the extra `otel`: pip install 'nuque[otel]'") from error
    provider = TracerProvider(resource=Resource.create({"service.name": "nuque"}))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    return provider


def instrument(app: FastAPI, settings: SeeingSettings, provider: TracerProvider | None = None) -> TracerProvider | None:
    """Have ``app`` make a span for each call where ``settings`` ask for it. Raises TracesError.

    Gives what holds the spans: ``provider``, or the one that exports them; None where they are not asked for.
    """
    if not settings.traces:
        return None
    provider = provider or exporting_provider()
    from opentelemetry.instrumentation.fastapi import FastAPIInstrumentor
    from opentelemetry.propagate import set_global_textmap

    set_global_textmap(_parent_only())
    FastAPIInstrumentor.instrument_app(
        app, tracer_provider=provider, excluded_urls="/health/,/metrics", server_request_hook=_forget_the_address
    )
    return provider


def _parent_only() -> TextMapPropagator:
    """Takes over the ids of the caller's span and no ``tracestate`` or baggage, in which a caller may write anything."""
    from opentelemetry import trace
    from opentelemetry.context import Context
    from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

    class ParentOnly(TraceContextTextMapPropagator):
        def extract(self, *given: Any, **named: Any) -> Context:
            found = super().extract(*given, **named)
            sent = trace.get_current_span(found).get_span_context()
            bare = trace.SpanContext(sent.trace_id, sent.span_id, sent.is_remote, sent.trace_flags)
            return trace.set_span_in_context(trace.NonRecordingSpan(bare), found) if sent.is_valid else found

    return ParentOnly()


async def send_the_last(provider: TracerProvider) -> None:
    """Send the spans of ``provider`` that wait for the next batch.

    A service that was told to stop ends without a further chance.
    """
    with anyio.move_on_after(_PATIENCE_SECONDS):
        await anyio.to_thread.run_sync(provider.force_flush, abandon_on_cancel=True)


def _forget_the_address(span: Any, scope: dict[str, Any]) -> None:
    """The address as called may hold whatever a caller put there; the route says enough."""
    for key in (
        "http.host",
        "http.server_name",
        "net.host.name",
        "server.address",
        "http.url",
        "http.target",
        "url.full",
        "url.path",
        "url.query",
        "http.user_agent",
        "user_agent.original",
    ):
        if span.is_recording():
            span.set_attribute(key, "")
