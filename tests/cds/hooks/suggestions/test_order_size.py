"""The size that an order states, and the same order with another. Element names are those of FHIR R4 (4.0.1)."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from cds.hooks.suggestions.order_size import people_stated, stated_size, with_size
from tests.cds.hooks.suggestions.small_collar import BASE, CONTEXT, coded, decided, ruleset

URLS = CONTEXT.canonicals
OTHER = {"coding": [{"system": "https://elsewhere.example", "code": "G2"}]}


def parameter(axis: str, value: str, system: str = "size-axis-values") -> dict[str, Any]:
    return {"code": coded("size-axes", axis), "valueCodeableConcept": coded(system, value)}


@pytest.mark.parametrize(
    ("order", "stated"),
    [
        ({}, {}),
        ({"codeCodeableConcept": coded("size-classes", "G2 head_up")}, {"girth_band": "G2", "pose": "head_up"}),
        # What is not written has its usual value, where the axis has one.
        ({"codeCodeableConcept": coded("size-classes", "G2")}, {"girth_band": "G2", "pose": "upright"}),
        ({"orderDetail": [OTHER, coded("size-classes", "G1")]}, {"girth_band": "G1", "pose": "upright"}),
        ({"codeCodeableConcept": coded("size-classes", "head_up")}, {"pose": "head_up"}),
        ({"codeCodeableConcept": coded("size-classes", "G2 G9")}, {}),
        ({"codeCodeableConcept": coded("size-classes", " ")}, {}),
        ({"codeCodeableConcept": coded("size-classes", 7)}, {}),
        ({"codeCodeableConcept": coded("orders", "G2")}, {}),
        ({"codeCodeableConcept": OTHER, "orderDetail": "G2"}, {}),
        (
            {"codeCodeableConcept": coded("size-classes", "G1"), "orderDetail": [coded("size-classes", "G2 head_up")]},
            {"girth_band": "G2", "pose": "head_up"},
        ),
        ({"parameter": [parameter("girth-band", "girth-band.G2")]}, {"girth_band": "G2"}),
        ({"parameter": [7, parameter("pose", "pose.head-up"), None]}, {"pose": "head_up"}),
        ({"parameter": [parameter("pose", "pose.head_up")]}, {}),
        ({"parameter": [parameter("pose", "pose.head-up", "size-classes")]}, {}),
        (
            {
                "codeCodeableConcept": coded("size-classes", "G1"),
                "parameter": [parameter("girth-band", "girth-band.G2"), parameter("pose", "nothing")],
            },
            {"girth_band": "G2", "pose": "upright"},
        ),
    ],
)
def test_the_size_that_an_order_states(order: dict[str, Any], stated: dict[str, str]) -> None:
    assert stated_size(order, ruleset(), URLS) == stated


def extension(name: str, **value: Any) -> dict[str, Any]:
    return {"url": f"{BASE}/StructureDefinition/{name}", **value}


@pytest.mark.parametrize(
    ("extensions", "people"),
    [
        (None, None),
        ([], None),
        ([extension("people-needed", valuePositiveInt=3)], 3),
        ([7, extension("rule", valuePositiveInt=2), extension("people-needed", valuePositiveInt=4)], 4),
        ([extension("people-needed", valuePositiveInt=True)], None),
        ([extension("people-needed", valuePositiveInt="3")], None),
        ([extension("people-needed", valueInteger=3)], None),
        ([extension("people-needed"), extension("people-needed", valuePositiveInt=3)], None),
    ],
)
def test_the_people_that_an_order_asks_for(extensions: list[Any] | None, people: int | None) -> None:
    assert people_stated({"extension": extensions}, URLS) == people


WIDE = decided(girth_mm=500, lying=True)
SIZE = {
    "text": "G2 head up: girth 400 mm or more, head up",
    "coding": [{"system": f"{BASE}/CodeSystem/size-classes", "code": "G2 head_up"}],
}
DEVICE = {
    "text": "Rigid neck collar, G2 head up: girth 400 mm or more, head up",
    "coding": [{"system": f"{BASE}/CodeSystem/size-classes", "code": "G2 head_up"}],
}
PARAMETERS = [
    {
        "code": {"text": "girth band", "coding": [{"system": f"{BASE}/CodeSystem/size-axes", "code": "girth-band"}]},
        "valueCodeableConcept": {
            "text": "G2",
            "coding": [{"system": f"{BASE}/CodeSystem/size-axis-values", "code": "girth-band.G2"}],
        },
    },
    {
        "code": {"text": "pose", "coding": [{"system": f"{BASE}/CodeSystem/size-axes", "code": "pose"}]},
        "valueCodeableConcept": {
            "text": "head up",
            "coding": [{"system": f"{BASE}/CodeSystem/size-axis-values", "code": "pose.head-up"}],
        },
    },
]
FIT = {
    "text": "Fit a rigid neck collar",
    "coding": [{"system": f"{BASE}/CodeSystem/orders", "code": "fit-rigid-neck-collar"}],
}
THREE = extension("people-needed", valuePositiveInt=3)


@pytest.mark.parametrize(
    ("order", "changed"),
    [
        (
            {"resourceType": "DeviceRequest", "id": "1"},
            {"parameter": PARAMETERS, "codeCodeableConcept": DEVICE},
        ),
        # A size of ours is replaced, whatever else stands there is kept.
        (
            {
                "resourceType": "DeviceRequest",
                "codeCodeableConcept": coded("size-classes", "G1"),
                "parameter": [
                    parameter("pose", "pose.upright"),
                    {"code": OTHER, "valueBoolean": True},
                    parameter("girth-band", "girth-band.G1"),
                    7,
                ],
            },
            {"parameter": [{"code": OTHER, "valueBoolean": True}, 7, *PARAMETERS], "codeCodeableConcept": DEVICE},
        ),
        ({"resourceType": "DeviceRequest", "codeCodeableConcept": OTHER}, {"parameter": PARAMETERS}),
        ({"resourceType": "DeviceRequest", "codeReference": {"reference": "Device/1"}}, {"parameter": PARAMETERS}),
        (
            {"resourceType": "ServiceRequest", "id": "1"},
            {"orderDetail": [SIZE], "code": FIT, "extension": [THREE]},
        ),
        (
            {
                "resourceType": "ServiceRequest",
                "code": OTHER,
                "orderDetail": [coded("size-classes", "G1"), OTHER, coded("orders", "x")],
                "extension": [extension("people-needed", valuePositiveInt=1), extension("rule", valueString="r"), 7],
            },
            {
                "orderDetail": [OTHER, coded("orders", "x"), SIZE],
                "extension": [extension("rule", valueString="r"), 7, THREE],
            },
        ),
    ],
)
def test_an_order_gets_the_size_of_the_decision_and_keeps_all_else(
    order: dict[str, Any], changed: dict[str, Any]
) -> None:
    before = copy.deepcopy(order)
    assert with_size(order, WIDE, CONTEXT) == {**before, **changed}
    assert order == before


def test_where_no_rule_asks_for_a_fitting_the_number_of_people_stays() -> None:
    without = WIDE.model_copy(update={"tasks": ()})
    order = {"resourceType": "ServiceRequest", "extension": [extension("people-needed", valuePositiveInt=1)]}
    assert with_size(order, without, CONTEXT)["extension"] == order["extension"]
    assert "extension" not in with_size({"resourceType": "ServiceRequest"}, without, CONTEXT)


def test_a_decision_without_a_size_corrects_nothing() -> None:
    with pytest.raises(ValueError, match=r"^a decision without a size cannot correct an order$"):
        with_size({"resourceType": "ServiceRequest"}, decided(missing=True), CONTEXT)
