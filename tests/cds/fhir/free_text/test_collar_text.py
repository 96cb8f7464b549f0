"""Orders of a collar are told by their words: what is read as one, what is listed, and what is neither."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from cds.fhir.reading.code_map_loader import load_code_map
from tests.cds.fhir.free_text.collar_order_texts import judged
from tests.cds.fhir.reading.sent import code_map, facts, of_patient, reading, reasons, ruleset

UNREAD = "may be about a neck collar"


def order(**concept: Any) -> dict[str, Any]:
    return of_patient("ServiceRequest", "o", status="draft", intent="order", code=concept)


def wrong(*parts: str) -> dict[str, str]:
    return {text.said: text.found for text in judged() if text.part in parts and not text.is_right}


def test_there_are_enough_texts_of_each_kind_in_both_halves() -> None:
    kinds = [(text.part, text.expected) for text in judged()]
    assert {(part, kind) for part, kind in kinds if kinds.count((part, kind)) >= 30} == {
        (part, kind) for part in ("open", "held back") for kind in ("orders", "look_alikes", "others")
    }
    assert len({text.said for text in judged()}) == len(kinds), "a text stands twice"


def test_every_text_that_the_words_were_made_with_is_told_right() -> None:
    assert wrong("open") == {}


def test_of_the_texts_held_back_hardly_one_is_missed_and_none_is_read_wrongly() -> None:
    assert "orders" not in wrong("held back", "later").values()
    assert len(wrong("held back")) <= 1
    assert len(wrong("later")) <= 2


def test_what_is_missed_is_listed() -> None:
    assert set(wrong("held back", "later").values()) <= {"look_alikes"}


def test_no_text_is_a_name_that_the_code_map_lists_as_it_stands() -> None:
    """Else the words would not be tested."""
    assert not code_map().texts


@pytest.mark.parametrize(
    ("concept", "expected"),
    [
        ({"coding": [{"display": "Collar, cervical, rigid"}]}, True),
        ({"coding": [{"system": "urn:x", "code": "7", "display": "C-collar"}], "text": "Nursing order"}, True),
        ({"coding": [{"display": "Cervical collar"}, {"display": "Remove cervical collar"}]}, False),
        ({"coding": [{"display": "Trach collar"}], "text": "Cervical collar"}, False),
        ({"coding": [{"display": ["Cervical collar"]}, 7], "text": None}, False),
        ({"text": "cervical collar " + "x" * 2000}, False),
    ],
)
def test_displays_and_text_are_read_together(concept: dict[str, Any], expected: bool) -> None:
    assert code_map().is_collar_order(order(**concept)) is expected


def test_our_own_codes_are_judged_as_codes() -> None:
    skin = {
        "system": "https://nuque.example.org/fhir/CodeSystem/tasks",
        "code": "inspect-skin",
        "display": "Rigid collar",
    }
    assert not code_map().is_collar_order(order(coding=[skin]))
    assert code_map().order_look_alike(order(coding=[skin])) is None


def test_an_order_that_forbids_is_neither() -> None:
    forbids = {**order(text="Cervical collar"), "doNotPerform": True}
    assert not code_map().is_collar_order(forbids)
    assert code_map().order_look_alike(forbids) is None


def test_a_site_decides_by_name_by_code_and_by_word(tmp_path: Path) -> None:
    site = tmp_path / "codes.yaml"
    site.write_text(
        """
collar_texts: ["Neck protection, level 2", "Remove cervical collar"]
other_texts: [C-collar]
collar_words: {plain: [[hollowmere]], elsewhere: [[ring]]}
ignore: [{system: hcpcs, code: L0172}]
"""
    )
    found = load_code_map(ruleset(), [site])
    assert found.is_collar_order(order(text="neck  Protection, level 2"))
    assert found.is_collar_order(order(text="Remove cervical collar"))
    assert not found.is_collar_order(order(text="C-COLLAR"))
    assert found.order_look_alike(order(text="C-COLLAR")) is None
    assert found.is_collar_order(order(text="Hollowmere cervical collar"))
    assert not code_map().is_collar_order(order(text="Hollowmere cervical collar"))
    assert found.order_look_alike(order(text="Collar ring")) is None
    ignored = {"system": "urn:oid:2.16.840.1.113883.6.285", "code": "L0172", "display": "Cervical collar"}
    assert not found.is_collar_order(order(coding=[ignored]))
    assert found.hash != code_map().hash


def test_orders_that_may_be_for_a_collar_are_listed_as_not_used() -> None:
    device = {"resourceType": "DeviceRequest", "codeCodeableConcept": {"text": "Foam cervical collar"}}
    device = of_patient("DeviceRequest", "d", status="active", intent="order", **device)
    unread = [one for one in reading(order(text="Collar"), device).not_used if one.reason.startswith(UNREAD)]
    assert [(one.value, one.reference) for one in unread] == [
        ("Collar", "ServiceRequest/o"),
        ("Foam cervical collar", "DeviceRequest/d"),
    ]
    assert reasons({**order(text="Collar"), "status": "revoked"}, order(text="Cervical collar")) == []


def test_a_device_in_use_that_may_be_a_collar_is_listed() -> None:
    worn = of_patient("DeviceUseStatement", "w", status="active", device={"display": "Neck brace, soft"})
    assert facts(worn) == {}
    (unread,) = reading(worn).not_used
    assert (unread.fact, unread.value) == ("collar_in_place", "Neck brace, soft")
    rigid = of_patient("DeviceUseStatement", "w", status="active", device={"display": "Collar, extrication"})
    assert facts(rigid) == {"collar_in_place": True, "collar_kind": "extrication"}
