"""The web application: wiring and nothing else."""

from __future__ import annotations

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.middleware.cors import CORSMiddleware
from starlette.exceptions import HTTPException

from cds import __version__, decisions_api, fit_checks_api, health, hooks_api, published_api, refusals
from cds.content import Content
from cds.feedback import FeedbackFile, FeedbackSink, NoFeedbackKept
from cds.hook_service import Memory
from cds.prefetch import Fetcher
from cds.service import Clock, Service, utc_now
from cds.settings import Settings
from cds.stamp import Stamp


def create_app(
    settings: Settings,
    *,
    clock: Clock = utc_now,
    feedback: FeedbackSink | None = None,
    fetcher: Fetcher | None = None,
    memory: Memory | None = None,
) -> FastAPI:
    """The application for ``settings``. Raises KnowledgeError where the content cannot be used.

    ``feedback`` keeps what clinicians did with cards, ``fetcher`` reads from the client's FHIR server,
    ``memory`` knows which cards were issued and answered.
    """
    app = FastAPI(
        title="Nuque",
        version=__version__,
        description="Decision support for fitting rigid neck collars. Supports, and does not replace, licensed judgement.",
    )
    if feedback is None:
        feedback = NoFeedbackKept() if settings.feedback_file is None else FeedbackFile(settings.feedback_file)
    app.state.service = Service(settings, Content.load(settings), feedback, clock, fetcher, memory)
    routers = (
        hooks_api.discovery,
        hooks_api.calls,
        decisions_api.router,
        fit_checks_api.router,
        published_api.router,
        health.router,
    )
    for router in routers:
        app.include_router(router)
    _add_refusals(app)
    app.add_middleware(Stamp)
    if settings.cors_origins:
        app.add_middleware(
            CORSMiddleware,
            allow_origins=list(settings.cors_origins),
            allow_methods=["GET", "POST"],
            allow_headers=["Authorization", "Content-Type"],
            expose_headers=["Nuque-Ruleset"],
        )
    return app


def _add_refusals(app: FastAPI) -> None:
    app.add_exception_handler(refusals.RefusedCall, refusals.answer_refused)
    app.add_exception_handler(RequestValidationError, refusals.answer_wrong_shape)
    app.add_exception_handler(HTTPException, refusals.answer_http_error)
    app.add_exception_handler(Exception, refusals.answer_failure)
