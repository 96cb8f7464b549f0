"""Answers to hooks are compressed where the client accepts that (RFC 9110, 12.5.3), and say the same."""

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import MEASURED, OTHER_ORDER, order_select

PATH = "/cds-services/collar-order-select"


def test_a_client_that_accepts_gzip_gets_the_same_answer_in_a_fraction_of_the_bytes(client: TestClient) -> None:
    body = order_select(*MEASURED)
    plain = client.post(PATH, json=body, headers={"Accept-Encoding": "identity"})
    packed = client.post(PATH, json=body, headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert "accept-encoding" in packed.headers["vary"].lower()
    assert int(packed.headers["content-length"]) * 3 < int(plain.headers["content-length"])
    assert [card["summary"] for card in packed.json()["cards"]] == [card["summary"] for card in plain.json()["cards"]]


@pytest.mark.parametrize(
    ("accepted", "packed"),
    [
        ("gzip", True),
        ("GZIP", True),
        ("x-gzip", True),
        ("br, gzip;q=0.5", True),
        ("gzip; q=1.000, *;q=0", True),
        ("gzip;q=0", False),
        ("gzip;q=0.000", False),
        ("gzip; Q=0 , identity", False),
        ("gzip;q=much", False),
        ("notgzip", False),
        ("identity;q=1, *;q=0", False),
        ("", False),
    ],
)
def test_a_weight_of_nothing_refuses_gzip(client: TestClient, accepted: str, packed: bool) -> None:
    """RFC 9110, 12.4.2 and 12.5.3: a weight of 0 is "not acceptable", names are compared without case."""
    headers = {"Accept-Encoding": accepted}
    answers = [client.post(PATH, json=order_select(*MEASURED), headers=headers), client.get("/fit", headers=headers)]
    assert [answer.headers.get("content-encoding") for answer in answers] == ["gzip" if packed else None] * 2
    assert [answer.status_code for answer in answers] == [200, 200]
    assert "accept-encoding" in answers[0].headers["vary"].lower()


def test_an_answer_without_cards_is_not_worth_compressing(client: TestClient) -> None:
    answer = client.post(PATH, json=order_select(drafts=(OTHER_ORDER,)), headers={"Accept-Encoding": "gzip"})
    assert answer.json() == {"cards": []}
    assert "content-encoding" not in answer.headers


@pytest.mark.parametrize("path", ["/openapi.json", "/facts"])
def test_what_is_no_answer_to_a_hook_stays_as_it_is(client: TestClient, path: str) -> None:
    answer = client.get(path, headers={"Accept-Encoding": "gzip"})
    assert answer.status_code == 200
    assert "content-encoding" not in answer.headers
