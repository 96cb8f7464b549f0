"""Requests that nobody should send: never a 5xx, never a hang, and a refusal that says which field.

``FUZZ_EXAMPLES=10000`` sets the number of requests; by default it is a tenth of what a release is held to.
"""

from __future__ import annotations

import copy
import json
import os
import time
from typing import Any

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.specs.openapi import checks

from cds.settings import Settings
from tests.cds.hook_calls import (
    MEASURED,
    OTHER_ORDER,
    bundle,
    discharge,
    order_select,
    order_sign,
    patient,
    patient_view,
)
from tests.cds.web.routes.operation_calls import data, parameters, subject

pytestmark = pytest.mark.slow

EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "1000"))
BUDGET_SECONDS = Settings.model_fields["answer_seconds"].default

FEEDBACK = {
    "feedback": [
        {
            "card": "4e0a3a1e-3283-4575-ab82-028d55fe2719",
            "outcome": "overridden",
            "overrideReason": {"reason": {"code": "a", "system": "https://nuque.example.org/x"}, "userComment": "b"},
            "outcomeTimestamp": "2026-01-31T10:00:00Z",
        }
    ]
}
CALLS: list[tuple[str, dict[str, Any]]] = [
    ("/cds-services/collar-order-select", order_select(*MEASURED)),
    ("/cds-services/collar-order-sign", order_sign(*MEASURED)),
    ("/cds-services/collar-patient-view", patient_view(*MEASURED)),
    ("/cds-services/collar-discharge", discharge(*MEASURED)),
    ("/cds-services/collar-order-select", order_select(*MEASURED, drafts=(OTHER_ORDER,))),
    ("/cds-services/collar-order-select/feedback", FEEDBACK),
    ("/decisions", {"facts": {"age_years": 41, "neck_height_mm": 66, "bed_rest": True}, "at": "2026-01-31T10:00:00Z"}),
    ("/fit-checks", {"facts": {"age_years": 41}, "size_class": "adult H3 G2", "findings": []}),
    (
        "/fhir/PlanDefinition/rigid-neck-collar/$apply",
        parameters(subject("p1"), data(bundle(patient(), *MEASURED)), at="2026-01-31T10:00:00Z"),
    ),
    (
        "/fhir/Library/$evaluate",
        parameters(
            {"name": "url", "valueCanonical": "https://nuque.example.org/fhir/Library/rigid-neck-collar"},
            {"name": "expression", "valueString": "Size Class"},
            data(bundle(patient(), *MEASURED)),
        ),
    ),
    (
        "/fhir/Questionnaire/patient-facts/$populate",
        parameters(
            {"name": "subject", "valueReference": {"reference": "Patient/p1"}},
            {
                "name": "context",
                "part": [
                    {"name": "name", "valueString": "sourceQueries"},
                    {"name": "content", "resource": bundle(patient(), *MEASURED)},
                ],
            },
        ),
    ),
]

CONFORMANCE = [
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
]
"""What the answer is held to of its description."""

deep: Any = "bottom"
for _ in range(90):
    deep = [deep]

NASTY = st.one_of(
    st.sampled_from(
        [
            None,
            True,
            0,
            -1,
            2**63,
            10**60,
            1e308,
            -0.0,
            5e-324,
            "",
            " ",
            "\x00",
            "\u202e",
            "💥" * 50,
            "x" * 5000,
            "2026-02-30",
            "2026-02-30T25:61:00Z",
            "0000-00-00",
            "9999-12-31T23:59:59Z",
            "0001-01-01T00:00:00+14:00",
            "2026-01-31T10:00:00",
            "Patient/points-nowhere",
            "urn:uuid:nothing",
            "#contained",
            "http://127.0.0.1:9/fhir",
            "../../etc/passwd",
            "{{context.patientId}}",
            "'; DROP TABLE feedback; --",
            "<script>alert(1)</script>",
            "NaN",
            [],
            {},
            [[]],
            [None],
            {"": None},
            {"resourceType": "OperationOutcome"},
            {"resourceType": "Bundle", "entry": [None, 7, {}, {"resource": []}, {"resource": {"resourceType": 7}}]},
            {"resourceType": "Bundle", "link": [{"relation": "next", "url": "http://127.0.0.1:9/"}]},
            {"resourceType": "Patient"},
            deep,
        ]
    ),
    st.text(max_size=20),
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.datetimes().map(lambda moment: moment.isoformat()),
)

TEXTS = st.sampled_from(
    [
        lambda text: text.replace(":", ": NaN, ", 1),
        lambda text: text.replace("{", '{"hook": 1, "hook": 2, ', 1),
        lambda text: text.replace("{", '{"x": NaN, ', 1),
        lambda text: text.replace("{", '{"x": -Infinity, ', 1),
        lambda text: text.replace("{", '{"x": 1e400, ', 1),
        lambda text: text.replace("{", '{"x": ' + "9" * 5000 + ", ", 1),
        lambda text: text.replace("{", '{"x": "\\ud800", ', 1),
        lambda text: text.replace("{", '{"\\udfff": 1, ', 1),
        lambda text: text.replace("{", '{"x": ' + "[" * 50_000 + "]" * 50_000 + ", ", 1),
        lambda text: text.replace("{", '{"x": ' + '{"a":' * 200 + "1" + "}" * 200 + ", ", 1),
        lambda text: text[: len(text) // 2],
        lambda text: text + text,
        lambda text: "\ufeff" + text,
        lambda text: "[" + text + "]",
        lambda text: "null",
        lambda text: "7",
        lambda text: '""',
        lambda text: "",
        lambda text: text,
    ]
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths of all parts of ``value``."""
    found = [path]
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in items:
        found += places(part, (*path, key))
    return found


CALL_PLACES = [places(body)[1:] for _, body in CALLS]


@st.composite
def broken_calls(draw: st.DrawFn) -> tuple[str, bytes]:
    """A path and a body: a good call with up to four parts replaced, removed or added, and perhaps broken as text."""
    number = draw(st.integers(0, len(CALLS) - 1))
    path, body = CALLS[number][0], copy.deepcopy(CALLS[number][1])
    for _ in range(draw(st.integers(1, 4))):
        *way, last = draw(st.sampled_from(CALL_PLACES[number]))
        value: Any = body
        for key in way:
            try:
                value = value[key]
            except (KeyError, IndexError, TypeError):
                break
        else:
            if isinstance(value, dict):
                if draw(st.booleans()):
                    value[last] = copy.deepcopy(draw(NASTY))
                else:
                    value.pop(last, None)
            elif isinstance(value, list) and isinstance(last, int) and last < len(value):
                value[last] = copy.deepcopy(draw(NASTY))
    text = json.dumps(body)
    if draw(st.integers(0, 5)) == 0:
        text = draw(TEXTS)(text)
    if draw(st.integers(0, 50)) == 0:
        return path, text.encode("utf-16")
    return path, text.encode("utf-8", "surrogatepass")


def says_where(answer: Any) -> bool:
    """Whether a refusal names a field, a fact, or the body as a whole, in words."""
    body = answer.json()
    if "problems" in body:
        return all(problem["fact"] and problem["message"] and problem["accepted"] for problem in body["problems"])
    return bool(body["issue"]) and all(
        issue.get("expression") or "body" in issue["diagnostics"] for issue in body["issue"]
    )


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    phases=(Phase.generate, Phase.shrink),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(call=broken_calls())
def test_broken_calls_are_answered_in_time_and_never_with_a_failure(
    client: TestClient, call: tuple[str, bytes]
) -> None:
    path, body = call
    started = time.monotonic()
    answer = client.post(path, content=body, headers={"Content-Type": "application/json"})
    assert time.monotonic() - started < BUDGET_SECONDS
    assert answer.status_code < 500, answer.text[:500]
    if answer.status_code in (400, 412, 422):
        assert says_where(answer), answer.text[:500]


@pytest.mark.parametrize("mode", list(schemathesis.GenerationMode))
def test_nothing_that_the_schema_allows_or_forbids_makes_the_service_fail(
    client: TestClient, mode: schemathesis.GenerationMode
) -> None:
    """Every operation of the OpenAPI document, called with what its schema allows, and with what not; the answer is as it says."""
    described = schemathesis.openapi.from_asgi("/openapi.json", client.app)
    failures: list[str] = []
    operations = called = 0
    for result in described.exclude(path_regex="^/(metrics|admin)").get_all_operations():
        operation = result.ok()
        operations += 1

        @settings(max_examples=max(5, EXAMPLES // 50), deadline=None, suppress_health_check=list(HealthCheck))
        @given(case=operation.as_strategy(mode))
        def call(case: schemathesis.Case) -> None:
            nonlocal called
            called += 1
            answer = case.call()
            if answer.status_code >= 500:
                failures.append(f"{case.method} {case.formatted_path}: {answer.status_code}")
            case.validate_response(answer, checks=CONFORMANCE)

        if mode.is_negative and not operation.body:
            continue  # Takes nothing, or names in the path that may be any text.
        call()
    assert operations >= 10 and called >= 30
    assert failures == []
