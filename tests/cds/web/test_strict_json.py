"""What two JSON readers could understand differently is refused (RFC 8259 section 4 and 6, RFC 7493 I-JSON)."""

import asyncio
import json
import threading

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from cds import strict_json
from cds.security.caller import Caller, current_caller
from cds.strict_json import DEEPEST, MOST_RESOURCES, JsonProblem, _parse_exactly, parse
from cds.web.strict_json_route import StrictJsonRequest
from tests.cds.hook_calls import MEASURED, order_select


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b'{"a": 1, "a": 2}', "the key 'a' is given twice"),
        (b'{"a": NaN}', "NaN is not a JSON number"),
        (b"[-Infinity]", "-Infinity is not a JSON number"),
        (b"[1e999]", "too large"),
        (b"[" + b"9" * 5000 + b"]", "64 bits"),
        (b'["\\ud800"]', "surrogate"),
        (b'{"\\udfff": 1}', "surrogate"),
        (b'"\xff"', "not UTF-8 at byte 1"),
        (b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1), "levels deep"),
        (b'[{"a":' * 51 + b"1" + b"}]" * 51, "levels deep"),
        (b'{"}":' * (DEEPEST + 1) + b"1" + b"}" * (DEEPEST + 1), "levels deep"),
        (b"[" * 200_000, "levels deep"),
        (b"", "not JSON"),
        (b"{", "line 1, column 2"),
    ],
)
def test_doubtful_json_is_refused_with_the_reason(body: bytes, why: str) -> None:
    with pytest.raises(JsonProblem) as refused:
        parse(body)
    assert why in str(refused.value)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner, max_size=4),
    max_leaves=20,
)  # fmt: skip


@given(JSON)
def test_everything_else_reads_as_the_standard_library_reads_it(value: object) -> None:
    assert parse(json.dumps(value).encode()) == value


COLONS = ("a", ":", '":', '" :', "\\", "\\\\", "\u2028", "{", "[[", "\t:", "a\n:")
KEYS = st.sampled_from(COLONS)
AWKWARD = st.recursive(
    st.sampled_from([*COLONS, 2**63, -(2**63) - 1, 2**64, 1e300, 2.0**63, 0.5, True, None]),
    lambda inner: st.lists(inner, max_size=3) | st.lists(st.tuples(KEYS, inner), max_size=3).map(tuple),
    max_leaves=12,
)


def written(value: object, spaced: bool, escaped: bool) -> str:
    """``value`` as JSON, where a tuple stands for an object whose keys may repeat."""
    if isinstance(value, tuple):
        colon = " \t:\n" if spaced else ":"
        pairs = (f"{written(key, spaced, escaped)}{colon}{written(item, spaced, escaped)}" for key, item in value)
        return "{" + ",".join(pairs) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(written(item, spaced, escaped) for item in value) + "]"
    return json.dumps(value).replace(":", "\\u003a") if escaped else json.dumps(value, ensure_ascii=False)


@given(AWKWARD, st.booleans(), st.booleans())
def test_the_fast_reader_lets_nothing_pass_that_the_exact_one_refuses(
    value: object, spaced: bool, escaped: bool
) -> None:
    body = written(value, spaced, escaped).encode()
    try:
        wanted: object = _parse_exactly(body, 2)
    except JsonProblem as problem:
        with pytest.raises(JsonProblem) as refused:
            parse(body, most_resources=2)
        assert str(refused.value) == str(problem)
    else:
        found = parse(body, most_resources=2)
        assert found == wanted and repr(found) == repr(wanted)


@pytest.mark.parametrize("spaced", [False, True])
def test_a_patients_call_is_read_once(spaced: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    body = json.dumps(order_select(*MEASURED), indent=2 if spaced else None).encode()
    monkeypatch.setattr("cds.strict_json._parse_exactly", None)
    assert parse(body, most_resources=MOST_RESOURCES) == json.loads(body)


def test_a_compact_call_is_not_looked_through_value_by_value(monkeypatch: pytest.MonkeyPatch) -> None:
    body = json.dumps(order_select(*MEASURED), separators=(",", ":")).encode()
    monkeypatch.setattr("cds.strict_json._is_doubtful", None)
    assert parse(body, most_resources=MOST_RESOURCES) == json.loads(body)


def test_a_surrogate_pair_is_one_character() -> None:
    assert parse(b'"\\ud83d\\ude00"') == "\U0001f600"


def test_another_content_type_is_refused_and_told_what_to_send(client: TestClient) -> None:
    answer = client.post("/decisions", content=b"{}", headers={"Content-Type": "text/plain"})
    assert answer.status_code == 415
    assert "Content-Type: application/json" in answer.json()["issue"][0]["diagnostics"]


def test_more_resources_than_any_patient_has_are_refused(client: TestClient) -> None:
    many = [{"resourceType": "Observation"}] * (MOST_RESOURCES + 1)
    answer = client.post("/decisions", json={"facts": {}, "x": many})
    assert answer.status_code == 400
    assert "FHIR resources" in answer.json()["issue"][0]["diagnostics"]
    # A file on the command line may be a whole record.
    assert len(parse(json.dumps(many).encode())) == len(many)


def test_the_answer_of_another_server_does_not_wait_for_the_bodies_of_other_calls(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A call waits a second for what it reads; somebody's long bodies may take longer."""
    answer_is_read, order = threading.Event(), []
    text = b" " * strict_json.SMALL_BYTES + b"1"

    def parse(body: bytes, *, most_resources: int | None = None) -> None:
        if body.startswith(b"[") and not answer_is_read.wait(30):
            order.append("the answer waited")
        order.append(body[:1].decode())
        if not body.startswith(b"["):
            answer_is_read.set()

    async def both() -> None:
        body = asyncio.create_task(strict_json.parse_aside(b"[" + text))
        await asyncio.sleep(0)
        await strict_json.parse_aside(text, is_answer=True)
        await body

    monkeypatch.setattr(strict_json, "parse", parse)
    asyncio.run(both())
    assert order == [" ", "["]


def test_the_long_bodies_of_one_client_keep_no_other_client_waiting() -> None:
    """Somebody whose own server is slow holds all places that one client has, and only those."""
    text = b'"' + b"x" * strict_json.SMALL_BYTES + b'"'
    scope = {"type": "http", "method": "POST", "path": "/", "headers": [(b"content-type", b"application/json")]}
    worked_on: list[str] = []

    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": text, "more_body": False}

    async def call(issuer: str, done: asyncio.Event) -> None:
        current_caller.set(Caller(issuer))
        async with StrictJsonRequest(scope, receive).read_strictly():
            worked_on.append(issuer)
            await done.wait()

    async def both() -> tuple[list[str], list[str]]:
        done = asyncio.Event()
        slow = [asyncio.create_task(call("https://slow.example", done)) for _ in range(6)]
        while len(worked_on) < 4:
            await asyncio.sleep(0.01)
        other = asyncio.create_task(call("https://other.example", done))
        while "https://other.example" not in worked_on:
            await asyncio.sleep(0.01)
        seen = list(worked_on)
        done.set()
        await asyncio.gather(*slow, other)
        return seen, worked_on

    seen, everything = asyncio.run(asyncio.wait_for(both(), 30))
    assert seen == ["https://slow.example"] * 4 + ["https://other.example"]
    assert len(everything) == 7
