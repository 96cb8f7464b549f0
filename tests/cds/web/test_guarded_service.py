"""The whole service with its guards: trust before the body, limits, logs without patient data, metrics, audit, silent repeats."""

import asyncio
import gzip
import json
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet
from fastapi import FastAPI
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.security.pseudonymisation import Secrecy
from cds.settings import LimitSettings, Settings
from cds.storage.audit_log import events
from cds.storage.database import Store
from cds.storage.decision_log import DecisionRecords
from cds.storage.feedback_export import rows
from cds.web.middleware.request_limits import Limits
from cds.web.middleware.token_bucket import RateLimit
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.hook_calls import MEASURED, observation, order_select
from tests.cds.patient_data import DEMO_PATIENTS, telling, told

SELECT = "/cds-services/collar-order-select"
KEY = "k" * 32
ADMIN = "a" * 40


@pytest.fixture
def own_store(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'own.sqlite3'}"


Make = Callable[..., TestClient]


@pytest.fixture
def make(tmp_path: Path, own_store: str) -> Iterator[Make]:
    """A service in jwt mode with a store of its own; settings may be changed."""
    opened: list[TestClient] = []

    def made(**changed: Any) -> TestClient:
        client_fields = changed.pop("client", {})
        given = {
            "trust": "jwt",
            "clients": ehr.clients_file(tmp_path, **client_fields),
            "audiences": (ehr.BASE,),
            "pseudonym_key": KEY,
            "store_url": own_store,
        }
        client = TestClient(create_app(Settings(**{**given, **changed}), clock=lambda: AT))
        client.__enter__()
        opened.append(client)
        return client

    yield made
    for client in opened:
        client.__exit__(None, None, None)


def signed(path: str = SELECT, **changed: Any) -> dict[str, str]:
    now = time.time()
    payload = ehr.claims(**{"aud": ehr.BASE + path, "iat": now, "exp": now + 120, **changed})
    return {"Authorization": f"Bearer {ehr.token(payload)}"}


# --- trust ---------------------------------------------------------------------------------------------------------


def test_a_signed_call_gets_its_cards(make: Make) -> None:
    answer = make().post(SELECT, json=order_select(*MEASURED), headers=signed())
    assert answer.status_code == 200
    assert answer.json()["cards"]


def test_without_a_token_nothing_is_read_and_the_answer_says_how_to_sign(make: Make) -> None:
    answer = make().post(SELECT, content=b"{ this is not even JSON", headers={"Content-Type": "application/json"})
    assert answer.status_code == 401
    # RFC 6750, 3.1: no error of a token is named to who sent none.
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    assert answer.json()["resourceType"] == "OperationOutcome"
    wrong = make().get("/facts", headers={"Authorization": "Bearer nothing"})
    assert (wrong.status_code, wrong.headers["WWW-Authenticate"]) == (401, 'Bearer error="invalid_token"')


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", SELECT),
        ("POST", f"{SELECT}/feedback"),
        ("POST", "/decisions"),
        ("POST", "/fhir/PlanDefinition/$apply"),
        ("GET", "/facts"),
        ("GET", "/rules/x"),
        ("GET", "/docs"),
        ("GET", "/openapi.json"),
        ("GET", "/nothing/here"),
        ("POST", "/admin/reload"),
        ("POST", "/cds-services"),
        ("GET", "/health/ready/"),
        ("GET", "//health/ready"),
    ],
)
def test_what_is_not_open_is_closed(make: Make, method: str, path: str) -> None:
    assert make().request(method, path).status_code == 401


@pytest.mark.parametrize("path", ["/health/live", "/health/ready", "/metrics", "/cds-services"])
def test_what_is_open(make: Make, path: str) -> None:
    assert make().get(path).status_code == 200


def test_the_name_of_the_service_alone_leads_to_the_bedside_page_and_opens_nothing(make: Make) -> None:
    service = make()
    answer = service.get("/", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"], answer.content) == (307, "/bedside", b"")
    assert service.get("/", headers={"Accept": "text/html"}).status_code == 403


def test_discovery_and_metrics_can_be_closed(make: Make) -> None:
    service = make(protect_discovery=True, metrics=False)
    assert service.get("/cds-services").status_code == 401
    assert service.get("/cds-services", headers=signed("/cds-services")).status_code == 200
    assert service.get("/metrics").status_code == 401


def test_a_token_is_good_once_across_two_processes_with_one_store(make: Make) -> None:
    bearer = signed()
    assert make().post(SELECT, json=order_select(*MEASURED), headers=bearer).status_code == 200
    again = make().post(SELECT, json=order_select(*MEASURED), headers=bearer)
    assert again.status_code == 401
    assert "used before" in again.json()["issue"][0]["diagnostics"]


def test_open_mode_answers_only_as_localhost(client: TestClient) -> None:
    app = client.app
    remote = TestClient(app, base_url="http://127.0.0.1:8000", client=("192.168.1.9", 5000))  # type: ignore[arg-type]
    assert remote.get("/facts").status_code == 403


def test_a_client_that_calls_too_often_is_told_to_wait(make: Make) -> None:
    service = make(client={"calls_per_minute": 20})
    answers = [service.get("/facts", headers=signed("/facts")) for _ in range(4)]
    assert [answer.status_code for answer in answers] == [200, 200, 429, 429]
    assert int(answers[-1].headers["Retry-After"]) > 0


def test_a_rate_limit_lets_bursts_through_and_then_a_steady_stream() -> None:
    now = [0.0]
    limit = RateLimit(lambda: now[0])
    assert [limit.wait("a", 60) for _ in range(7)] == [0] * 6 + [1]
    assert limit.wait("b", 60) == 0
    now[0] += 2
    assert [limit.wait("a", 60) for _ in range(3)] == [0, 0, 1]
    now[0] -= 1000  # A clock that is set back gives nothing away and locks nobody out for longer.
    assert limit.wait("a", 60) == 1
    now[0] += 2
    assert limit.wait("a", 60) == 0


def test_a_quiet_hour_saves_up_no_more_than_one_burst() -> None:
    now = [0.0]
    limit = RateLimit(lambda: now[0])
    assert limit.wait("a", 60) == 0
    now[0] += 3600
    assert [limit.wait("a", 60) for _ in range(7)] == [0] * 6 + [1]


def test_the_names_that_are_remembered_are_bounded() -> None:
    """Whoever could make up names would otherwise fill the memory; what is forgotten then starts with a full burst."""
    limit = RateLimit(lambda: 0.0)
    assert [limit.wait("a", 10) for _ in range(2)] == [0, 6]
    assert {limit.wait(f"made up {number}", 10) for number in range(10_000)} == {0}
    assert limit.wait("a", 10) == 0


# --- limits --------------------------------------------------------------------------------------------------------


def test_a_long_body_is_refused(make: Make) -> None:
    service = make(body_bytes=1000)
    answer = service.post(SELECT, content=b" " * 1001, headers={**signed(), "Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["issue"][0]["code"]) == (413, "too-long")


def test_a_long_body_in_pieces_of_unstated_length_is_refused(make: Make) -> None:
    pieces = (b" " * 400 for _ in range(10))
    answer = make(body_bytes=1000).post(
        SELECT, content=pieces, headers={**signed(), "Content-Type": "application/json"}
    )
    assert answer.status_code == 413


@pytest.mark.parametrize("length", ["-1", "1e3", "9" * 400, "x"])
def test_a_length_that_is_none_is_refused(make: Make, length: str) -> None:
    headers = {**signed(), "Content-Type": "application/json", "Content-Length": length}
    assert make().post(SELECT, content=b"{}", headers=headers).status_code == 413


def test_a_compressed_body_is_refused_and_never_unpacked(make: Make) -> None:
    bomb = gzip.compress(b" " * 50_000_000)
    headers = {**signed(), "Content-Type": "application/json", "Content-Encoding": "gzip"}
    answer = make().post(SELECT, content=bomb, headers=headers)
    assert answer.status_code == 415
    assert "uncompressed" in answer.json()["issue"][0]["diagnostics"]


def ask(app: Any, receive: Any) -> list[dict[str, Any]]:
    """One POST to an ASGI app; the messages that it sent."""
    sent: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    scope = {"type": "http", "method": "POST", "path": "/", "headers": [], "query_string": b""}
    asyncio.run(app(scope, receive, send))
    return sent


def test_a_body_that_does_not_come_is_not_waited_for() -> None:
    async def never() -> dict[str, Any]:
        await asyncio.sleep(60)
        return {"type": "http.request", "body": b""}

    async def app(scope: Any, receive: Any, send: Any) -> None:
        raise AssertionError("the application must not be called")

    sent = ask(Limits(app, LimitSettings(body_seconds=0.05)), never)
    assert sent[0]["status"] == 408


def test_a_call_that_takes_too_long_is_answered_and_not_left_hanging() -> None:
    async def at_once() -> dict[str, Any]:
        return {"type": "http.request", "body": b"{}"}

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await asyncio.sleep(60)

    sent = ask(Limits(app, LimitSettings(answer_seconds=0.05)), at_once)
    assert sent[0]["status"] == 503
    assert b"nothing was decided" in sent[1]["body"]


# --- seeing it -----------------------------------------------------------------------------------------------------


def test_every_answer_has_an_id_safe_headers_and_the_ruleset(make: Make) -> None:
    service = make()
    for answer in (
        service.get("/health/live"),
        service.post(SELECT),
        service.get("/nothing", headers=signed("/nothing")),
    ):
        assert re.fullmatch("[0-9a-f]{32}", answer.headers["Nuque-Request"])
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store"
        assert "hash=" in answer.headers["Nuque-Ruleset"]


def test_the_description_page_may_load_its_script_and_is_closed_where_tokens_are_asked_for(
    make: Make, client: TestClient
) -> None:
    page = client.get("/docs")
    loaded = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert page.status_code == 200
    assert {"/docs/swagger-ui-bundle.js", "/docs/swagger-ui.css"} <= set(loaded)
    assert not any("//" in address for address in loaded)
    assert "script-src 'self'" in page.headers["Content-Security-Policy"]
    assert all(client.get(address).status_code == 200 for address in loaded if address.startswith("/"))
    assert make().get("/docs").status_code == 401


def lines_of(logged: Path, request: str) -> list[dict[str, Any]]:
    return [line for line in map(json.loads, logged.read_text().splitlines()) if line.get("request") == request]


def test_a_client_that_is_told_to_wait_is_named_in_the_log(make: Make, logged: Path) -> None:
    """The operator sees who is slowed down; a call that is not trusted names nobody."""
    service = make(client={"calls_per_minute": 3})  # A tenth of them at once, and at least one.
    answers = [service.get("/facts", headers=signed("/facts")) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [200, 429]
    told = [line for line in lines_of(logged, answers[1].headers["Nuque-Request"]) if line["event"] == "call"]
    assert [(line["status"], line["issuer"], line["refused"]) for line in told] == [(429, ehr.ISS, "rate")]


def test_a_call_is_one_line_of_json_with_the_route_and_without_what_was_sent(make: Make, logged: Path) -> None:
    answer = make().post(SELECT, json=order_select(*MEASURED), headers=signed())
    (line,) = [line for line in lines_of(logged, answer.headers["Nuque-Request"]) if line["event"] == "call"]
    assert (line["route"], line["status"], line["issuer"]) == (SELECT, 200, ehr.ISS)
    refused = make().post(f"{SELECT}?patient=p1", json=order_select(*MEASURED))
    (line,) = lines_of(logged, refused.headers["Nuque-Request"])
    assert (line["refused"], line["status"]) == ("no_token", 401)
    assert "p1" not in json.dumps(line)


def test_a_failure_is_told_by_type_and_place_and_never_by_its_text(logged: Path) -> None:
    app: FastAPI = create_app(Settings())

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("Jane Invented, born 1950-01-01, could not be decided")

    with TestClient(app) as client:
        answer = client.get("/broken")
    assert answer.status_code == 500
    assert "nothing was decided" in answer.json()["issue"][0]["diagnostics"]
    assert "hash=" in answer.headers["Nuque-Ruleset"]
    failed = [line for line in lines_of(logged, answer.headers["Nuque-Request"]) if line["event"] == "call failed"]
    assert failed[0]["error"] == "RuntimeError"
    assert "broken" in failed[0]["places"][-1]
    assert "Jane" not in logged.read_text()


def test_the_search_for_patient_data_finds_it() -> None:
    lines = ["GET /Patient/p1", "invented-7", ehr.token(), "born 1984-05-02", '{"neck_height_mm": 66}']
    lines += [f"Patient {text}" for text in DEMO_PATIENTS]
    assert len(DEMO_PATIENTS) > 100
    assert telling(lines) == lines


def test_whatever_a_test_sends_is_searched_for_however_short_it_is(client: TestClient) -> None:
    call = order_select(observation("neck-height", 66, id="q"), *MEASURED[1:])
    call["context"]["encounterId"] = "z"
    client.post(SELECT, json=call)
    lines = ['{"event": "call", "about": "Observation/q"}', '{"event": "z"}', "lost encounter z."]
    assert telling(lines) == lines
    assert telling(['{"event": "call", "request": "z", "route": "/quiz"}']) == []


def test_the_numbers_of_the_process_are_no_patients_even_where_an_id_is_the_same(client: TestClient) -> None:
    client.post(SELECT, json=order_select(observation("neck-height", 66, id="8130"), *MEASURED[1:]))
    assert telling(['{"event": "Started server process [8130]"}', "nuque: running on http://127.0.0.1:8130"]) == []
    assert telling(["about 8130"]) == ["about 8130"]


def test_how_long_a_call_took_is_no_year_of_birth() -> None:
    """One of the invented patients has only a year of birth on record, and a call may take as many milliseconds."""
    assert "2008" in DEMO_PATIENTS
    assert telling(['{"event": "call", "ms": 2008.4, "status": 200}', '{"event": "call", "ms": 2008}']) == []
    assert told(['{"event": "call", "ms": 2008, "about": "born 2008"}']) == [
        """'2008' in: {"event": "call", "ms": 2008, "about": "born 2008"}"""
    ]


def test_metrics_count_calls_decisions_and_outcomes(make: Make) -> None:
    service = make()
    answer = service.post(SELECT, json=order_select(*MEASURED), headers=signed()).json()
    feedback = {"card": answer["cards"][0]["uuid"], "outcome": "overridden", "outcomeTimestamp": AT.isoformat()}
    path = f"{SELECT}/feedback"
    assert service.post(path, json={"feedback": [feedback]}, headers=signed(path)).status_code == 200
    service.post(SELECT)
    text = service.get("/metrics").text
    for line in (
        'nuque_answers_total{route="/cds-services/collar-order-select",status="200"} 1.0',
        'nuque_card_outcomes_total{outcome="overridden",service="collar-order-select"} 1.0',
        'nuque_refused_calls_total{reason="no_token"} 1.0',
        'nuque_stage_seconds_count{stage="decide"} 1.0',
        'nuque_stage_seconds_count{stage="fetch"} 1.0',
    ):
        assert line in text
    assert re.search(r'nuque_decisions_total\{service="collar-order-select",size_class="adult [^"]+"\} 1\.0', text)
    assert re.search(r'nuque_cards_total\{indicator="\w+",service="collar-order-select"\} \d', text)


def test_metrics_count_refused_values_by_fact_and_reason(make: Make) -> None:
    service = make()
    in_kg = {"value": 66, "system": "http://unitsofmeasure.org", "code": "kg"}
    call = order_select(observation("neck-height", 0, valueQuantity=in_kg), *MEASURED[1:])
    assert service.post(SELECT, json=call, headers=signed()).status_code == 200
    assert 'nuque_refused_values_total{fact="neck_height_mm",reason="unit"} 1.0' in service.get("/metrics").text


def trail(service: TestClient, url: str) -> list[dict[str, Any]]:
    """The audit trail, once nothing waits for the store any more."""
    while "nuque_rows_waiting 0.0" not in service.get("/metrics").text:
        time.sleep(0.01)
    with Store(Settings(store_url=url)) as store:
        return list(events(store, None, "https://nuque.example.org/fhir"))


def test_the_audit_trail_names_caller_rules_and_outcome_and_hides_the_patient(make: Make, own_store: str) -> None:
    service = make()
    answered = service.post(SELECT, json=order_select(*MEASURED), headers=signed())
    refused = service.post(SELECT)
    found = trail(service, own_store)
    text = {event["entity"][0]["detail"][2]["valueString"]: event for event in found}
    good, bad = text[answered.headers["Nuque-Request"]], text[refused.headers["Nuque-Request"]]
    assert good["agent"][0]["who"]["identifier"]["value"] == ehr.ISS
    assert (good["outcome"], bad["outcome"]) == ("0", "4")
    assert len(good["entity"][1]["what"]["identifier"]["value"]) == 64
    assert "p1" not in re.findall(r"\w+", json.dumps(found))


def test_refused_calls_cannot_fill_the_store(make: Make, own_store: str) -> None:
    service = make()
    for _ in range(50):
        assert service.post(SELECT).status_code == 401
    kept = len(trail(service, own_store))
    assert 0 < kept < 50
    unkept = re.search(r"nuque_refusals_not_in_audit_trail_total (\d+)", service.get("/metrics").text)
    assert unkept is not None and kept + int(unkept[1]) == 50
    assert service.post(SELECT, json=order_select(*MEASURED), headers=signed()).status_code == 200


def test_decision_records_are_kept_where_the_site_gave_a_key(make: Make, own_store: str) -> None:
    key = Fernet.generate_key().decode()
    answered = make(record_keys=(key,)).post(SELECT, json=order_select(*MEASURED), headers=signed())
    settings = Settings(store_url=own_store, pseudonym_key=KEY, record_keys=(key,))
    with Store(settings) as store:
        (record,) = DecisionRecords(store, Secrecy(settings, made_up=False)).read(answered.headers["Nuque-Request"])
    assert record["decision"]["facts"]


# --- the store is down ---------------------------------------------------------------------------------------------


def test_decisions_go_on_while_the_store_is_down_and_readiness_says_so(make: Make, dead_store: str) -> None:
    service = make(store_url=dead_store)
    assert service.post(SELECT, json=order_select(*MEASURED), headers=signed()).json()["cards"]
    path = f"{SELECT}/feedback"
    feedback = {"card": "x" * 36, "outcome": "overridden", "outcomeTimestamp": AT.isoformat()}
    kept = service.post(path, json={"feedback": [feedback]}, headers=signed(path))
    assert kept.status_code == 503
    assert int(kept.headers["Retry-After"]) > 0
    ready = service.get("/health/ready")
    assert ready.status_code == 503
    assert "decisions go on" in ready.json()["failing"]["store"]
    assert "sqlite" not in ready.text
    bearer = signed()
    assert service.post(SELECT, json=order_select(*MEASURED), headers=bearer).status_code == 200
    assert service.post(SELECT, json=order_select(*MEASURED), headers=bearer).status_code == 401


def test_feedback_is_exported_by_the_kind_of_unit_where_it_was_recorded(make: Make, own_store: str) -> None:
    service = make()
    on_ward = order_select(*MEASURED, observation("setting", "critical-care"))
    override(service, service.post(SELECT, json=on_ward, headers=signed()).json())
    with Store(Settings(store_url=own_store)) as store:
        assert {row["unit"] for row in rows(store)} == {"critical_care"}


# --- silent repeats ------------------------------------------------------------------------------------------------


def override(service: TestClient, answer: dict[str, Any]) -> None:
    path = f"{SELECT}/feedback"
    reason = {"reason": {"code": "fit-checked", "system": "https://nuque.example.org/fhir/CodeSystem/override-reasons"}}
    items = [
        {"card": c["uuid"], "outcome": "overridden", "overrideReason": reason, "outcomeTimestamp": AT.isoformat()}
        for c in answer["cards"]
    ]
    assert service.post(path, json={"feedback": items}, headers=signed(path)).status_code == 200


def test_a_card_overridden_with_a_reason_is_not_repeated_until_the_facts_change(make: Make) -> None:
    service = make()
    first = service.post(SELECT, json=order_select(*MEASURED), headers=signed()).json()
    override(service, first)
    again = service.post(SELECT, json=order_select(*MEASURED), headers=signed()).json()
    critical = [card for card in first["cards"] if card["indicator"] == "critical"]
    assert len(again["cards"]) == len(critical) < len(first["cards"])
    assert "nuque_silent_repeats_total" in service.get("/metrics").text
    changed = service.post(SELECT, json=order_select(*MEASURED[:-1]), headers=signed()).json()
    assert changed["cards"]


def test_a_site_can_have_every_card_shown(make: Make) -> None:
    service = make(silent_repeat_hours=0)
    first = service.post(SELECT, json=order_select(*MEASURED), headers=signed()).json()
    override(service, first)
    again = service.post(SELECT, json=order_select(*MEASURED), headers=signed()).json()
    assert len(again["cards"]) == len(first["cards"])


# --- pages of others -----------------------------------------------------------------------------------------------


def test_a_page_may_call_only_from_a_listed_origin(make: Make) -> None:
    service = make(cors_origins=("https://ehr.hospital.example",))
    asked = {"Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "authorization"}
    listed = service.options(SELECT, headers={"Origin": "https://ehr.hospital.example", **asked})
    assert listed.headers["Access-Control-Allow-Origin"] == "https://ehr.hospital.example"
    assert "hash=" in listed.headers["Nuque-Ruleset"]
    read = service.get("/facts", headers={"Origin": "https://ehr.hospital.example", **signed("/facts")})
    # Fetch standard, CORS-exposed headers: a page reads no others, and docs tell it to obey Retry-After.
    exposed = {name.strip().lower() for name in read.headers["Access-Control-Expose-Headers"].split(",")}
    assert exposed == {"nuque-ruleset", "nuque-request", "retry-after"}
    other = service.options(SELECT, headers={"Origin": "https://evil.example", **asked})
    assert "Access-Control-Allow-Origin" not in other.headers
    assert (
        "Access-Control-Allow-Origin"
        not in make().get("/health/live", headers={"Origin": "https://evil.example"}).headers
    )
