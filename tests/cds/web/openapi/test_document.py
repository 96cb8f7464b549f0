"""The published document: valid for an outside validator, complete, and true of who may call."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from openapi_spec_validator import OpenAPIV31SpecValidator

from cds.bootstrap.app import create_app
from cds.fhir.publishing.questionnaire import NAME
from cds.settings import Settings
from cds.site.demo_patients import DemoIndex
from cds.web.openapi.document import published
from cds.web.openapi.examples import shortened
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.web.openapi.outside_validator import Published

ADMIN = "a" * 40
NOT_DESCRIBED = {
    "GET /openapi.json": "the document",
    "GET /docs": "its page",
    "GET /docs/start.js": "what its page loads",
    "GET /docs/swagger-ui-bundle.js": "what its page loads",
    "GET /docs/swagger-ui.css": "what its page loads",
    "GET /": "leads to the bedside page",
    "GET /docs/guide": "leads to the guide",
    "GET /docs/guide/{name:path}": "pages to read, and what they load",
    "GET /static/{name}": "what pages load",
    "GET /bedside/keeper.js": "what the bedside page loads",
    "POST /cds-services/{service_id}": "refuses whatever is no service",
}


def document_of(app: FastAPI) -> dict[str, Any]:
    """The document of ``app``, which need not run."""
    return published(app, app.state.service)


@pytest.fixture(scope="module")
def open_app(store_url: str) -> FastAPI:
    return create_app(Settings(admin_token=ADMIN), clock=lambda: AT)


@pytest.fixture(scope="module")
def guarded_app(store_url: str, tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    folder = tmp_path_factory.mktemp("clients")
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(folder),
        audiences=(ehr.BASE,),
        pseudonym_key="k" * 32,
        page_user_header="x-remote-user",
        trusted_proxies=("127.0.0.1/32",),
        admin_token=ADMIN,
    )
    return create_app(settings, clock=lambda: AT)


def operations(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            yield f"{method.upper()} {path}", operation


@pytest.mark.parametrize("which", ["open_app", "guarded_app"])
def test_an_outside_validator_finds_nothing(which: str, request: pytest.FixtureRequest) -> None:
    """Against the schema of OpenAPI 3.1 as its authors publish it, which comes inside openapi-spec-validator."""
    document = document_of(request.getfixturevalue(which))
    assert len(document["paths"]) > 20
    assert [str(error) for error in OpenAPIV31SpecValidator(document).iter_errors()] == []


def test_the_outside_validator_finds_what_is_wrong(open_app: FastAPI) -> None:
    document = document_of(open_app)
    document["paths"]["/facts"]["get"]["responses"]["200"].pop("description")
    assert list(OpenAPIV31SpecValidator(document).iter_errors())


def test_every_route_is_described_or_named_as_not(open_app: FastAPI) -> None:
    described = {route for route, _ in operations(document_of(open_app))}
    routers = [one.original_router for one in open_app.routes if hasattr(one, "original_router")]
    routes = {
        f"{method} {route.path}"
        for router in routers
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in route.methods
    }
    assert len(described) > 30
    assert described.isdisjoint(NOT_DESCRIBED)
    assert routes == described | set(NOT_DESCRIBED)


def test_every_answer_in_json_has_an_example_that_its_schema_allows(open_app: FastAPI) -> None:
    document = document_of(open_app)
    held = Published(document)
    shown = 0
    for route, operation in operations(document):
        for media_type, content in operation["responses"]["200"]["content"].items():
            if "json" in media_type:
                (example,) = content["examples"].values()
                assert held.misfits(content["schema"], example["value"]) == [], route
                shown += 1
        for content in operation.get("requestBody", {}).get("content", {}).values():
            for example in content.get("examples", {}).values():
                assert held.misfits(content["schema"], example["value"]) == [], route
    assert shown >= 19
    for name in ("OperationOutcome", "UnusableFacts"):
        schema = document["components"]["schemas"][name]
        assert held.misfits(schema, schema["examples"][0]) == []


def test_what_an_example_sends_gives_the_answer_shown_beside_it(store_url: str) -> None:
    """Each that names no route of a hook, posted to its route at the moment of its patient."""
    patient = DemoIndex.read(Path("demo_bundles")).patients[0]
    app = create_app(Settings(), clock=lambda: patient.at)
    document = document_of(app)
    # Of the questionnaires the example is about the fit check.
    names = {**dict(app.state.service.content.artefacts.keys()), "Questionnaire": NAME}
    posted = []
    with TestClient(app) as client:
        for route, operation in operations(document):
            body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
            if "examples" not in body or route.startswith("POST /cds-services/"):
                continue
            path = route.removeprefix("POST ")
            kind = path.split("/")[2] if path.startswith("/fhir/") else ""
            answer = client.post(path.replace("{name}", names.get(kind, "")), json=body["examples"]["real"]["value"])
            assert answer.status_code == 200, (route, answer.text)
            media_type = answer.headers["content-type"]
            shown = operation["responses"]["200"]["content"][media_type]["examples"]["real"]["value"]
            assert shortened(answer.json()) == shown, route
            posted.append(route)
    operations_of_fhir = [
        f"POST /fhir/{kind}{name}/{operation}"
        for kind, operation in (("PlanDefinition", "$apply"), ("Library", "$evaluate"), ("Questionnaire", "$populate"))
        for name in ("", "/{name}")
    ]
    assert sorted(posted) == sorted(["POST /decisions", "POST /fit-checks", *operations_of_fhir])


def test_nothing_of_the_framework_stays_that_no_route_answers(open_app: FastAPI) -> None:
    assert not {"HTTPValidationError", "ValidationError"} & set(document_of(open_app)["components"]["schemas"])


def test_in_open_mode_nobody_is_asked_but_who_reloads(open_app: FastAPI) -> None:
    asked = {route: one["security"] for route, one in operations(document_of(open_app)) if one["security"]}
    assert asked == {"POST /admin/reload": [{"adminToken": []}]}


def test_with_tokens_each_route_says_who_may_call(guarded_app: FastAPI) -> None:
    asked = {route: one["security"] for route, one in operations(document_of(guarded_app))}
    token, pages = {"cdsHooksToken": []}, [{"smartSession": []}, {"siteProxy": []}]
    assert asked["POST /cds-services/collar-order-sign"] == asked["POST /decisions"] == [token]
    assert asked["GET /cds-services"] == asked["GET /health/ready"] == asked["GET /metrics"] == []
    assert asked["POST /bedside"] == pages
    assert asked["GET /rules"] == [token, *pages]


def test_what_is_said_of_callers_is_so(guarded_app: FastAPI) -> None:
    """Each route called without a token or a session: open ones answer, the others refuse with a code that they declare."""
    document = document_of(guarded_app)
    held = Published(document)
    assert len(document["paths"]) > 20
    with TestClient(guarded_app) as client:
        for route, operation in operations(document):
            method, _, path = route.partition(" ")
            answer = client.request(method, path)
            assert (answer.status_code in (401, 403)) == bool(operation["security"]), route
            media_type = answer.headers["content-type"]
            body = answer.json() if "json" in media_type else answer.text
            assert held.problems(route, answer.status_code, media_type, body) == []


def test_the_examples_follow_the_content_in_use(tmp_path: Path, store_url: str) -> None:
    overlay = tmp_path / "site.yaml"
    overlay.write_text(Path("demo_bundles/site.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    app = create_app(Settings(overlays=(overlay,)), clock=lambda: AT)
    ready = document_of(app)["paths"]["/health/ready"]["get"]["responses"]["200"]["content"]["application/json"]
    shown = ready["examples"]["real"]["value"]["ruleset"]["hash"]
    assert shown == app.state.service.content.ruleset.hash


def test_the_document_is_made_once(client: TestClient) -> None:
    first = client.get("/openapi.json")
    made = client.app.state.openapi  # type: ignore[attr-defined]
    assert client.get("/openapi.json").content == first.content
    assert client.app.state.openapi is made  # type: ignore[attr-defined]
