"""The web application: wiring and nothing else."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.middleware.cors import CORSMiddleware
from starlette.exceptions import HTTPException

from cds import __version__, operation_outcome
from cds.bootstrap.container import Parts
from cds.hooks.engine.service import Memory
from cds.observability.tracing import instrument, send_the_last
from cds.protocol.feedback import FeedbackSink
from cds.protocol.prefetch import Fetcher
from cds.settings import Settings
from cds.site.content import Content
from cds.web import errors
from cds.web.content_reload import Reloader, on_hangup
from cds.web.dependencies import Clock, Service, utc_now
from cds.web.middleware.authentication import AuthenticationMiddleware, is_page_path
from cds.web.middleware.compressed_answers import CompressedAnswers
from cds.web.middleware.concurrency_limit import Crowding
from cds.web.middleware.head_requests import HeadRequests
from cds.web.middleware.hook_calls import HookCalls
from cds.web.middleware.request_audit import REQUEST_ID, Observing
from cds.web.middleware.request_limits import Limits
from cds.web.middleware.ruleset_header import HEADER, Stamp
from cds.web.middleware.unchecked_content import Withholding
from cds.web.openapi import served
from cds.web.pages import bedside, fit, guide, print_outs, rendering, service_worker
from cds.web.pages.demonstration import try_hook
from cds.web.pages.error_pages import failed, for_browsers, shut_out, waiting
from cds.web.pages.rulebook import one_rule, rule_list, version_comparison
from cds.web.pages.smart_launch_routes import smart_router
from cds.web.routes import (
    admin,
    cds_hooks,
    decisions,
    fhir_artifacts,
    fhir_operations,
    fit_checks,
    health,
    swagger_ui,
)


def create_app(
    settings: Settings,
    *,
    clock: Clock = utc_now,
    feedback: FeedbackSink | None = None,
    fetcher: Fetcher | None = None,
    memory: Memory | None = None,
    gate: bool = False,
) -> FastAPI:
    """The application for ``settings``. Raises NuqueError where settings or content cannot be used.

    ``feedback`` keeps what clinicians did with cards, ``fetcher`` reads from the client's FHIR server, ``memory`` knows
    which cards were issued and answered; by default all three are made from the settings. With ``gate`` nothing is
    decided before the content has passed the gate, now or earlier; without, the caller answers for it. ``clock`` gives
    the present moment.
    """
    parts = Parts.made(settings, clock)
    service = Service(
        settings,
        Content.load(settings),
        feedback or parts.cards,
        parts.watch,
        parts.links,
        parts.rule_feedback,
        clock,
        fetcher or (parts.fhir if settings.fhir_servers else None),
        memory or parts.memory,
        {"store": parts.store_problem, "writer": parts.writer.problem, "key sets": parts.key_sets_problem},
        parts.silent,
    )
    service.readiness["content"] = lambda: service.withheld
    reloader = Reloader(service)
    if gate:
        reloader.withhold_unchecked()

    @asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        await parts.start(in_a_hurry=app.state.replaces)
        reloader.check_withheld()
        with on_hangup(reloader.on_signal):
            yield
        reloader.stop()
        await parts.aclose()
        if app.state.traces is not None:
            await send_the_last(app.state.traces)

    app = FastAPI(
        title="Nuque",
        version=__version__,
        description="Decision support for fitting rigid neck collars. Supports, and does not replace, licensed judgement.",
        lifespan=running,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        # The framework's redirect would go to whatever the Host of the call names.
        redirect_slashes=False,
    )
    app.state.service, app.state.reloader, app.state.replaces = service, reloader, False
    _add_routes(app, settings, parts)
    _add_refusals(app)
    _add_layers(app, settings, service, parts)
    app.state.traces = instrument(app, settings)
    return app


def _add_routes(app: FastAPI, settings: Settings, parts: Parts) -> None:
    routers = (
        cds_hooks.discovery,
        cds_hooks.calls,
        # Before the API's routes of the same addresses, which answer whoever does not ask for HTML.
        rule_list.router,
        version_comparison.router,
        one_rule.router,
        decisions.router,
        fit_checks.router,
        fhir_operations.router,
        fhir_artifacts.router,
        health.router,
        swagger_ui.router,
        served.router,
        bedside.router,
        service_worker.router,
        fit.router,
        guide.router,
        print_outs.router,
        rendering.static,
    )
    for router in routers:
        app.include_router(router)
    if parts.launcher is not None:
        app.include_router(smart_router(parts.launcher, parts.sessions))
    if settings.trust == "open":
        app.include_router(try_hook.router)
    if settings.metrics:
        app.include_router(admin.metrics_router)
    if settings.admin_token is not None:
        app.include_router(admin.admin_router)


def _add_refusals(app: FastAPI) -> None:
    app.add_exception_handler(operation_outcome.RefusedCall, for_browsers(errors.answer_refused, is_page_path))
    app.add_exception_handler(RequestValidationError, for_browsers(errors.answer_wrong_shape, is_page_path))
    app.add_exception_handler(HTTPException, for_browsers(errors.answer_http_error, is_page_path))


def _add_layers(app: FastAPI, settings: Settings, service: Service, parts: Parts) -> None:
    """From the inside out: the last one added sees a call first."""
    app.add_middleware(HookCalls, routes=cds_hooks.HOOK_ROUTES)
    app.add_middleware(HeadRequests)
    app.add_middleware(CompressedAnswers)
    app.add_middleware(Limits, settings=settings)
    app.add_middleware(Withholding, service=service, waiting=waiting)
    app.add_middleware(
        AuthenticationMiddleware,
        trust=parts.trust,
        sessions=parts.sessions,
        settings=settings,
        metrics=parts.metrics,
        refused_page=shut_out,
    )
    app.add_middleware(Crowding, settings=settings, metrics=parts.metrics)
    if settings.cors_origins:
        app.add_middleware(
            CORSMiddleware,
            allow_origins=list(settings.cors_origins),
            allow_methods=["GET", "POST"],
            allow_headers=["Authorization", "Content-Type"],
            expose_headers=[HEADER, REQUEST_ID, "Retry-After"],
        )
    app.add_middleware(Observing, service=service, metrics=parts.metrics, audit=parts.audit, failed_page=failed)
    # Outermost: an answer to a failure, or to a page's preflight, names the rule set too.
    app.add_middleware(Stamp, service=service)
