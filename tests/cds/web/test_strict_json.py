"""What two JSON readers could understand differently is refused (RFC 8259 section 4 and 6, RFC 7493 I-JSON)."""

import json

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from cds.strict_json import DEEPEST, MOST_RESOURCES, JsonProblem, parse


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
