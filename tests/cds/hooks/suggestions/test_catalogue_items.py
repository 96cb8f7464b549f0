"""The site's shelf on cards, in plain decisions, and in the order that is about to be signed."""

import copy
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.fhir.reading.code_map import CodingKey, Collar
from cds.fhir.reading.code_map_loader import load_code_map
from cds.hooks.suggestions.catalogue_items import (
    Misfit,
    OrderedItem,
    misfits,
    ordered_item,
    shelf_items,
    shelf_lines,
    with_item,
)
from cds.settings import Settings
from cds.site.catalogue import Catalogue, Item
from cds.site.catalogue_matching import MatchingItem, Shelf
from rules.deciding.decider import Decider
from rules.model.decision import Decision
from tests.cds.conftest import AT
from tests.cds.hook_calls import MEASURED, bundle, changed, observation, order_select, order_sign, patient, patient_view
from tests.cds.hooks.cds_hooks_standard import check_response
from tests.cds.hooks.suggestions.small_collar import decided, ruleset
from tests.rules.small_deciding import deciding_ruleset
from tests.shipped_content import RULESET

CATALOGUE = Path(__file__).parents[4] / "demo_bundles" / "catalogue.yaml"
SYSTEM = "https://records.hollowmere.example/items"


@pytest.fixture(scope="module")
def hospital() -> Iterator[TestClient]:
    with TestClient(create_app(Settings(catalogue=CATALOGUE), clock=lambda: AT)) as client:
        yield client


def device(item: str, system: str = SYSTEM) -> dict[str, Any]:
    return {
        "resourceType": "DeviceRequest",
        "id": "device-1",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "codeCodeableConcept": {"coding": [{"system": system, "code": item}], "text": "rigid neck collar"},
        "note": [{"text": "kept"}],
    }


def sign(client: TestClient, call: dict[str, Any]) -> Any:
    """The answer, which conforms."""
    answer = client.post("/cds-services/collar-order-sign", json=call).json()
    check_response(answer)
    return answer


def details(answer: Any) -> str:
    return "\n".join(f"{card['summary']}\n{card['detail']}" for card in answer["cards"])


ITEMS = [entry["item"] for entry in yaml.safe_load(CATALOGUE.read_text())["items"]]


def by_number(item: str, kind: str = "DeviceRequest", system: str = SYSTEM, **fields: Any) -> dict[str, Any]:
    """An order that bears the number of an item, and no words."""
    order = device(item, system)
    concept = {"coding": order.pop("codeCodeableConcept")["coding"]}
    return {
        **order,
        "resourceType": kind,
        "code" if kind == "ServiceRequest" else "codeCodeableConcept": concept,
        **fields,
    }


@pytest.mark.parametrize("kind", ["DeviceRequest", "ServiceRequest"])
@pytest.mark.parametrize("item", ITEMS)
def test_an_order_by_the_number_of_an_item_alone_is_checked_at_signing(
    hospital: TestClient, item: str, kind: str
) -> None:
    """FHIR R4, CodeableConcept: a coding says what is meant; text may be absent."""
    call = order_sign(*MEASURED, drafts=(by_number(item, kind),))
    call["prefetch"]["patient"] = patient("1984-05-02" if item == "HM-110" else "2025-11-02")
    assert f"Item {item} is made for" in details(sign(hospital, call))


def test_an_item_of_an_infant_for_an_adult_is_said_under_its_own_name_too(hospital: TestClient) -> None:
    order = by_number("HM-110")
    order["codeCodeableConcept"]["text"] = "Cradle collar"
    assert "Item HM-110 is made for infant line" in details(sign(hospital, order_sign(*MEASURED, drafts=(order,))))


@pytest.mark.parametrize("kind", ["DeviceRequest", "ServiceRequest"])
def test_a_danger_is_said_where_a_collar_is_ordered_by_its_number(hospital: TestClient, kind: str) -> None:
    standing = by_number("HM-222", kind, status="active", authoredOn="2026-01-31T09:00:00Z")
    key = "orders" if kind == "ServiceRequest" else "deviceOrders"
    call = patient_view(*MEASURED, observation("airway-threat", True))
    call["prefetch"][key] = bundle(standing)
    cards = hospital.post("/cds-services/collar-patient-view", json=call).json()["cards"]
    assert "critical" in [card["indicator"] for card in cards]


def test_a_device_in_use_by_the_number_of_an_item_is_a_collar(hospital: TestClient) -> None:
    use = {
        "resourceType": "DeviceUseStatement",
        "id": "use",
        "status": "active",
        "subject": {"reference": "Patient/p1"},
        "timingPeriod": {"start": "2026-01-30T09:00:00Z"},
        "device": {"reference": "#item"},
        "contained": [
            {"resourceType": "Device", "id": "item", "type": {"coding": [{"system": SYSTEM, "code": "HM-222"}]}}
        ],
    }
    call = patient_view(*MEASURED)
    call["prefetch"]["deviceUses"] = bundle(use)
    call["extension"] = {"org.example.nuque.whole-decision": True}
    decided = hospital.post("/cds-services/collar-patient-view", json=call).json()["extension"]
    known = decided["org.example.nuque.decision"]["facts"]
    assert {"collar_in_place": True}.items() <= {fact["name"]: fact["value"] for fact in known}.items()


@pytest.mark.parametrize(
    ("item", "system"), [("HM-222", "http://elsewhere.example"), ("HM-999", SYSTEM), ("hm-222", SYSTEM)]
)
def test_a_number_of_another_house_or_of_no_item_orders_no_collar(hospital: TestClient, item: str, system: str) -> None:
    assert sign(hospital, order_sign(*MEASURED, drafts=(by_number(item, system=system),)))["cards"] == []


def test_what_the_code_map_says_of_an_item_stands_and_without_a_system_its_number_means_nothing() -> None:
    shelf, code = Catalogue.load(CATALOGUE, RULESET), CodingKey(SYSTEM, "HM-222")
    plain = load_code_map(RULESET)
    ignoring = replace(plain, ignored=plain.ignored | {code})
    mapped = plain.with_collars({code: Collar(kind="long_term")})
    assert shelf.with_items(plain).collars[code] == Collar(display="Hillside collar, wide", local=True)
    assert code not in shelf.with_items(ignoring).collars
    assert shelf.with_items(mapped).collars[code].kind == "long_term"
    assert Catalogue(shelf.items, RULESET).with_items(plain) is plain


def test_the_size_card_names_the_items_that_fit(hospital: TestClient) -> None:
    answer = hospital.post("/cds-services/collar-order-select", json=order_select(*MEASURED)).json()
    check_response(answer)
    (card,) = answer["cards"]
    assert "**On the shelf**" in card["detail"]
    assert "**HM-222** Hillside collar, wide" in card["detail"]


def test_a_plain_decision_names_them_too(hospital: TestClient, client: TestClient) -> None:
    facts = {"facts": {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380}}
    assert hospital.post("/decisions", json=facts).json()["stock"]["items"][0]["item"] == "HM-222"
    assert "stock" not in client.post("/decisions", json=facts).json()


def test_when_nothing_fits_the_dimension_that_fails_is_named(hospital: TestClient) -> None:
    facts = {"facts": {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 790}}
    stock = hospital.post("/decisions", json=facts).json()["stock"]
    assert "items" not in stock
    assert any("circumference" in reason for reason in stock["none_because"])


def test_an_item_that_fits_is_not_spoken_of(hospital: TestClient) -> None:
    assert "Item HM" not in details(sign(hospital, order_sign(*MEASURED, drafts=(device("HM-222"),))))


def test_an_item_that_does_not_fit_is_replaced_by_the_nearest_that_does(hospital: TestClient) -> None:
    answer = sign(hospital, order_sign(*MEASURED, drafts=(device("HM-201"),)))
    assert "Item HM-201 takes height 30 to 48 mm; 66 mm is measured." in details(answer)
    (update,) = [
        action["resource"]
        for card in answer["cards"]
        for suggestion in card["suggestions"]
        for action in suggestion["actions"]
        if action["type"] == "update"
    ]
    assert update["id"] == "device-1"
    assert update["note"] == [{"text": "kept"}]
    assert update["codeCodeableConcept"]["coding"][0] == {
        "system": SYSTEM,
        "code": "HM-222",
        "display": "Hillside collar, wide",
    }


def test_an_item_that_alone_does_not_fit_is_corrected_too(hospital: TestClient) -> None:
    """The order states the right size, and all its care is ordered: only the item is another."""
    answer = sign(hospital, order_sign(*MEASURED, drafts=(device("HM-201"),)))
    offered = [action for card in answer["cards"] for each in card["suggestions"] for action in each["actions"]]
    right = [{**action["resource"], "id": action["resource"].get("id", f"n{n}")} for n, action in enumerate(offered)]
    assert sign(hospital, order_sign(*MEASURED, drafts=tuple(right)))["cards"] == []
    named = device("HM-201")["codeCodeableConcept"]
    wrong = [{**each, "codeCodeableConcept": named} if each["id"] == "device-1" else each for each in right]
    (card,) = sign(hospital, order_sign(*MEASURED, drafts=tuple(wrong)))["cards"]
    assert card["summary"].startswith("Item HM-201 takes height 30 to 48 mm")
    (suggestion,) = card["suggestions"]
    (action,) = suggestion["actions"]
    assert (suggestion["label"], action["description"]) == (
        "Correct the order",
        "Change the device: Hillside collar, wide",
    )
    assert [action["resource"]] == [each for each in right if each["id"] == "device-1"]


def test_an_adult_item_for_a_child_is_critical(hospital: TestClient) -> None:
    call = changed(order_sign(*MEASURED, drafts=(device("HM-222"),)), "prefetch.patient", patient("2021-01-05"))
    card = sign(hospital, call)["cards"][0]
    assert card["indicator"] == "critical"
    assert card["summary"].startswith("Item HM-222 is made for adult line")
    assert "Why this is critical" in card["detail"]


def test_an_unmeasured_neck_says_nothing_against_an_item(hospital: TestClient) -> None:
    position = observation("head-position", "neutral")
    assert "Item HM" not in details(sign(hospital, order_sign(position, drafts=(device("HM-201"),))))


MADE_FOR_G4 = Item(item="X-1", name="wide", axes={"girth_band": ("G4",)}, ranges={}, quantity=1)


@pytest.mark.parametrize(
    ("known", "confidence", "expected"),
    [
        ({"neck_circumference_mm": 380}, "measured", ["girth_band"]),
        ({"habitus": "slight"}, "assumed", []),
        ({}, "assumed", []),
    ],
)
def test_an_assumption_says_nothing_against_an_item(
    known: dict[str, Any], confidence: str, expected: list[str]
) -> None:
    decision = Decider(RULESET).decide({"age_years": 41, **known}, AT)
    girth = decision.axes["girth_band"]
    assert girth.candidates and "G4" not in girth.candidates and girth.confidence == confidence
    assert [misfit.axis for misfit in misfits(MADE_FOR_G4, decision, RULESET)] == expected


def test_the_same_number_in_another_system_is_another_thing(hospital: TestClient) -> None:
    other = device("HM-201", system="https://elsewhere.example.org/items")
    assert "Item HM" not in details(sign(hospital, order_sign(*MEASURED, drafts=(other,))))


# --- each part, exactly ----------------------------------------------------------------------------------------------


def match(number: int, name: str = "collar", accessories: tuple[str, ...] = ()) -> MatchingItem:
    return MatchingItem(item=f"X-{number}", name=name, why=f"why {number}", distance=0.1, accessories=accessories)


@pytest.mark.parametrize(
    ("shelf", "lines", "named"),
    [
        (None, [], []),
        (Shelf(), [], []),
        (Shelf(items=(match(1, "a_b"),)), [r"**X-1** a\_b: why 1"], [r"**X-1** a\_b"]),
        (
            Shelf(items=(match(1, accessories=("a pad", "a <strap>")), match(2))),
            ["**X-1** collar: why 1; with a pad, a &lt;strap\\>", "**X-2** collar: why 2"],
            ["**X-1** collar", "**X-2** collar"],
        ),
        (
            Shelf(items=tuple(match(number) for number in range(1, 5))),
            [f"**X-{number}** collar: why {number}" for number in range(1, 5)],
            ["**X-1** collar", "**X-2** collar"],
        ),
        (
            Shelf(items=tuple(match(number) for number in range(1, 6))),
            [*(f"**X-{number}** collar: why {number}" for number in range(1, 5)), "and 1 more"],
            ["**X-1** collar", "**X-2** collar"],
        ),
        (
            Shelf(none_because=("too *wide*", "too low")),
            [r"nothing fits: too \*wide\*", "nothing fits: too low"],
            [r"nothing fits: too \*wide\*", "nothing fits: too low"],
        ),
    ],
)
def test_the_shelf_on_a_card(shelf: Shelf | None, lines: list[str], named: list[str]) -> None:
    assert shelf_lines(shelf) == lines
    assert shelf_items(shelf) == named


def stocked(number: str, axes: dict[str, tuple[str, ...]] | None = None, **ranges: tuple[float, float]) -> Item:
    return Item(item=number, name=f"item {number}", axes=axes or {}, ranges=ranges, quantity=1)


def coding(code: Any, system: str | None = SYSTEM) -> dict[str, Any]:
    return {"code": code} if system is None else {"code": code, "system": system}


def concept(*codings: dict[str, Any]) -> dict[str, Any]:
    return {"coding": list(codings)}


OTHER = coding("A", "https://elsewhere.example")


@pytest.mark.parametrize(
    ("order", "system", "found"),
    [
        ({}, SYSTEM, None),
        ({"code": concept(coding("A"))}, SYSTEM, ("A", coding("A"))),
        ({"codeCodeableConcept": concept(OTHER, coding("B"))}, SYSTEM, ("B", coding("B"))),
        ({"orderDetail": [concept(), concept(coding("B"))]}, SYSTEM, ("B", coding("B"))),
        ({"code": concept(coding("A")), "orderDetail": [concept(coding("B"))]}, SYSTEM, ("A", coding("A"))),
        ({"code": concept(coding("C"), OTHER, coding(7), coding("A", None))}, SYSTEM, None),
        # A catalogue that names no system takes its numbers from any.
        ({"code": concept(OTHER)}, None, ("A", OTHER)),
        ({"code": concept(coding("A", None))}, None, ("A", coding("A", None))),
    ],
)
def test_the_item_that_an_order_names(order: dict[str, Any], system: str | None, found: tuple[str, Any] | None) -> None:
    catalogue = Catalogue([stocked("A"), stocked("B")], ruleset(), system)
    ordered = ordered_item(order, catalogue)
    assert (ordered and (ordered.item.item, ordered.coding)) == found
    assert ordered_item(order, None) is None


MEASURED_WIDE = decided(girth_mm=430, lying=True)


@pytest.mark.parametrize(
    ("item", "decision", "expected"),
    [
        (stocked("A", {"girth_band": ("G2",), "pose": ("head_up", "upright")}), MEASURED_WIDE, []),
        (
            stocked("A", {"girth_band": ("G1",), "pose": ("upright",)}),
            MEASURED_WIDE,
            [
                Misfit(
                    "girth_band",
                    "Item A is made for girth under 400 mm, and the patient needs girth 400 mm or more.",
                    ("small.wide",),
                ),
                Misfit("pose", "Item A is made for upright, and the patient needs head up.", ("small.lying",)),
            ],
        ),
        # What is only assumed says nothing, nor does what is withheld.
        (stocked("A", {"girth_band": ("G2",), "pose": ("head_up",)}), decided(), []),
        (stocked("A", {"girth_band": ("G1",)}), decided(missing=True, girth_mm=430), []),
        # A measurement against the range of the item, whose ends count in.
        (stocked("A", girth_band=(430.0, 500.0)), MEASURED_WIDE, []),
        (stocked("A", girth_band=(400.0, 430.0)), MEASURED_WIDE, []),
        (
            stocked("A", girth_band=(350.5, 429.0)),
            MEASURED_WIDE,
            [Misfit("girth_band", "Item A takes girth 350.5 to 429 mm; 430 mm is measured.", ("small.wide",))],
        ),
        (
            stocked("A", girth_band=(430.4, 600.0)),
            decided(girth_mm=430.3),
            [Misfit("girth_band", "Item A takes girth 430.4 to 600 mm; 430 mm is measured.", ("small.wide",))],
        ),
        # An axis that is not measured in mm has no range to compare with.
        (stocked("A", pose=(1.0, 2.0)), MEASURED_WIDE, []),
        # The size goes before the range, which would say the same again.
        (
            stocked("A", {"girth_band": ("G1",)}, girth_band=(100.0, 200.0)),
            MEASURED_WIDE,
            [
                Misfit(
                    "girth_band",
                    "Item A is made for girth under 400 mm, and the patient needs girth 400 mm or more.",
                    ("small.wide",),
                )
            ],
        ),
        (
            stocked("A", {"girth_band": ("G1", "G2")}, girth_band=(100.0, 200.0)),
            MEASURED_WIDE,
            [Misfit("girth_band", "Item A takes girth 100 to 200 mm; 430 mm is measured.", ("small.wide",))],
        ),
    ],
)
def test_what_the_decision_says_against_an_item(item: Item, decision: Decision, expected: list[Misfit]) -> None:
    assert list(misfits(item, decision, ruleset())) == expected


def test_every_value_that_an_item_is_made_for_and_every_one_that_may_be_needed_is_named() -> None:
    """By the other small ruleset, whose girth has three values, of which one may leave two to choose from."""
    either = Decider(deciding_ruleset()).decide({"weight_kg": 70}, AT)
    girth = either.axes["girth"]
    assert [each.axis for each in misfits(stocked("A", {"girth": ("G3",)}), either, deciding_ruleset())] == []
    axes = {**either.axes, "girth": girth.model_copy(update={"candidates": ("G2", "G1")})}
    narrower = either.model_copy(update={"axes": axes})
    assert list(misfits(stocked("A", {"girth": ("G1", "G3")}), narrower, deciding_ruleset())) == []
    (only,) = misfits(stocked("A", {"girth": ("G3",)}), narrower, deciding_ruleset())
    assert only.text == (
        "Item A is made for girth 400 mm or more, and the patient needs girth 330 to under 400 mm or girth under 330 mm."
    )
    axes["girth"] = girth.model_copy(update={"candidates": ("G2",)})
    (only,) = misfits(
        stocked("A", {"girth": ("G1", "G3")}), either.model_copy(update={"axes": axes}), deciding_ruleset()
    )
    assert only.text == (
        "Item A is made for girth under 330 mm or girth 400 mm or more, and the patient needs girth 330 to under 400 mm."
    )


NEAREST = {"coding": [{"system": SYSTEM, "code": "X-1", "display": "collar"}], "text": "collar"}
FITTING, EMPTY = Shelf(items=(match(1), match(2))), Shelf(none_because=("too wide",))


@pytest.mark.parametrize(
    ("order", "shelf", "changed"),
    [
        ({"code": concept(coding("A")), "id": "1"}, FITTING, {"code": NEAREST, "id": "1"}),
        ({"codeCodeableConcept": concept(OTHER, coding("A"))}, FITTING, {"codeCodeableConcept": NEAREST}),
        ({"code": concept(OTHER), "codeCodeableConcept": concept(coding("A"))}, FITTING,
         {"code": concept(OTHER), "codeCodeableConcept": NEAREST}),
        ({"code": concept(coding("A")), "id": "1"}, EMPTY, {"id": "1"}),
        (
            {"orderDetail": [concept(OTHER), concept(coding("A")), "x"]},
            FITTING,
            {"orderDetail": [concept(OTHER), "x", NEAREST]},
        ),
        ({"orderDetail": [concept(OTHER), concept(coding("A"))]}, EMPTY, {"orderDetail": [concept(OTHER)]}),
        ({"code": concept(coding("A")), "orderDetail": [concept(OTHER)]}, FITTING,
         {"code": NEAREST, "orderDetail": [concept(OTHER)]}),
        ({"code": concept(coding("A")), "orderDetail": [concept(coding("A"))]}, FITTING,
         {"code": NEAREST, "orderDetail": [NEAREST]}),
    ],
)  # fmt: skip
def test_the_nearest_item_that_fits_takes_the_place_of_the_one_ordered(
    order: dict[str, Any], shelf: Shelf, changed: dict[str, Any]
) -> None:
    before = copy.deepcopy(order)
    assert with_item(order, OrderedItem(stocked("A"), coding("A")), shelf) == changed
    assert order == before


@pytest.mark.parametrize("system", [None, 7])
def test_an_item_named_without_a_system_is_replaced_without_one(system: Any) -> None:
    named = {"code": "A"} if system is None else {"code": "A", "system": system}
    changed = with_item({"code": concept(named)}, OrderedItem(stocked("A"), named), FITTING)
    assert changed == {"code": {"coding": [{"code": "X-1", "display": "collar"}], "text": "collar"}}
