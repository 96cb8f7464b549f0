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


def test_an_answer_without_cards_is_not_worth_compressing(client: TestClient) -> None:
    answer = client.post(PATH, json=order_select(drafts=(OTHER_ORDER,)), headers={"Accept-Encoding": "gzip"})
    assert answer.json() == {"cards": []}
    assert "content-encoding" not in answer.headers


@pytest.mark.parametrize("path", ["/openapi.json", "/facts"])
def test_what_is_no_answer_to_a_hook_stays_as_it_is(client: TestClient, path: str) -> None:
    answer = client.get(path, headers={"Accept-Encoding": "gzip"})
    assert answer.status_code == 200
    assert "content-encoding" not in answer.headers
