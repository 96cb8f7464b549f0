"""The size that an order states, and the same order with another. Element names are those of FHIR R4 (4.0.1)."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from cds.hooks.suggestions.order_size import fate_of_size, people_stated, stated_size, what_changes, with_size
from rules.model.decision import Decision
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
        # In words, as in codes: FHIR R4, CodeableConcept.text is what the user chose or wrote.
        ({"orderDetail": [{"text": "G2 head_up"}]}, {"girth_band": "G2", "pose": "head_up"}),
        ({"orderDetail": [{"text": "G2"}]}, {"girth_band": "G2", "pose": "upright"}),
        ({"orderDetail": [{"coding": [{"display": "Collar G2"}]}]}, {"girth_band": "G2", "pose": "upright"}),
        ({"code": {"text": "Rigid neck collar, g1 head up"}}, {"girth_band": "G1", "pose": "head_up"}),
        (
            {"resourceType": "DeviceRequest", "codeReference": {"display": "Collar G1"}},
            {"girth_band": "G1", "pose": "upright"},
        ),
        ({"parameter": [{"valueCodeableConcept": {"text": "G1"}}]}, {"girth_band": "G1", "pose": "upright"}),
        ({"orderDetail": [{"text": "not G2"}, {"text": "head up"}, {"text": ["G2"]}, 7]}, {}),
        # A usual value that nobody wrote gives way to one that somebody did.
        (
            {"orderDetail": [coded("size-classes", "G1"), {"text": "G1 head up"}]},
            {"girth_band": "G1", "pose": "head_up"},
        ),
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
    assert with_size(order, WIDE, CONTEXT, ruleset()) == {**before, **changed}
    assert order == before


G1 = {"resourceType": "ServiceRequest", "code": FIT}
NARROW = decided(girth_mm=300, lying=True)
ASSUMED = decided(lying=True)


@pytest.mark.parametrize(
    ("details", "kept", "said"),
    [
        # Whatever states another size goes, and is named; an order never holds two sizes.
        ([coded("size-classes", "G1")], [], "G1 becomes G2 head up"),
        ([{"text": "G1 head up"}, OTHER], [OTHER], "G1 head up becomes G2 head up"),
        ([coded("size-classes", "G1", "G1, tried on, fits")], [], "G1, tried on, fits becomes G2 head up"),
        ([{"text": "G1"}, coded("size-classes", "G1")], [], "G1 becomes G2 head up"),
        ([{"text": "small: G1\u202e"}], [], "small: G1 becomes G2 head up"),
        ([{"text": "G1 " + "x" * 300}], [], f"G1 {'x' * 196}… becomes G2 head up"),
        # What says the same stays where somebody wrote more than the size.
        ([{"text": "G2 head up"}], [], None),
        ([{"text": "G2 head up, tried on, fits"}], [{"text": "G2 head up, tried on, fits"}], None),
        ([{**coded("size-classes", "G2 head_up"), "text": "G2, by Kim"}], [], "G2, by Kim becomes G2 head up"),
        ([coded("size-classes", "G2 head_up", "as tried")], [{"text": "as tried"}], None),
        ([SIZE], [], None),
        ([OTHER, {"text": "not G1"}], [OTHER, {"text": "not G1"}], None),
    ],
)
def test_what_somebody_wrote_is_replaced_only_where_it_contradicts_and_then_named(
    details: list[Any], kept: list[Any], said: str | None
) -> None:
    """CDS Hooks 2.0, Action: the description tells a person what is suggested."""
    order = {**G1, "orderDetail": details}
    changed = with_size(order, WIDE, CONTEXT, ruleset())
    assert changed["orderDetail"] == [*kept, SIZE]
    assert what_changes(order, WIDE, CONTEXT, ruleset()) == ([] if said is None else [said])
    assert with_size(changed, WIDE, CONTEXT, ruleset()) == changed


@pytest.mark.parametrize(
    ("order", "decision", "fate"),
    [
        ({}, WIDE, "replaced"),
        ({"orderDetail": [coded("size-classes", "G1")]}, WIDE, "replaced"),
        # Nothing measured speaks against it.
        ({"orderDetail": [coded("size-classes", "G2 head_up")]}, ASSUMED, "kept"),
        ({"orderDetail": [{"text": "G2 head up"}]}, ASSUMED, "kept"),
        ({"code": {"text": "Collar G2 head up"}}, ASSUMED, "kept"),
        ({"orderDetail": [coded("size-classes", "G1 head_up")]}, ASSUMED, "replaced"),
        # What an order is called is not ours to change.
        ({"code": {"text": "Collar G1"}}, WIDE, "by_hand"),
        ({"code": {"coding": [{"display": "Collar G1"}]}}, WIDE, "by_hand"),
        ({"code": {"text": "Collar G2 head up"}, "orderDetail": [coded("size-classes", "G1")]}, WIDE, "replaced"),
        ({"resourceType": "DeviceRequest", "codeReference": {"display": "Collar G1"}}, WIDE, "by_hand"),
        ({"resourceType": "DeviceRequest", "codeCodeableConcept": {"text": "Collar G1"}}, WIDE, "by_hand"),
        # A size class of ours is replaced with its words.
        ({"resourceType": "DeviceRequest", "codeCodeableConcept": coded("size-classes", "G1", "G1")}, WIDE, "replaced"),
    ],
)
def test_what_becomes_of_a_size_that_an_order_states(order: dict[str, Any], decision: Decision, fate: str) -> None:
    order = {"resourceType": "ServiceRequest", **order}
    assert fate_of_size(order, decision, CONTEXT, ruleset()) == fate
    changed = with_size(order, decision, CONTEXT, ruleset())
    assert fate == "replaced" or {**changed, "extension": None} == {**order, "extension": None}


@pytest.mark.parametrize(
    ("asked", "given", "said"),
    [(None, 3, []), (1, 3, ["people for the fitting: 1 becomes 3"]), (3, 3, []), (5, 5, [])],
)
def test_an_order_that_asks_for_more_people_keeps_them(asked: int | None, given: int, said: list[str]) -> None:
    named = [] if asked is None else [extension("people-needed", valuePositiveInt=asked)]
    order = {**G1, "orderDetail": [SIZE], "extension": named}
    assert people_stated(with_size(order, WIDE, CONTEXT, ruleset()), URLS) == given
    assert what_changes(order, WIDE, CONTEXT, ruleset()) == said


def test_a_parameter_of_somebody_elses_goes_only_where_it_states_another_size() -> None:
    theirs = [{"code": OTHER, "valueCodeableConcept": {"text": size}} for size in ("G1", "G2 head up", "soft")]
    order = {"resourceType": "DeviceRequest", "parameter": [*theirs, parameter("girth-band", "girth-band.G1")]}
    assert with_size(order, WIDE, CONTEXT, ruleset())["parameter"] == [*theirs[1:], *PARAMETERS]
    assert what_changes(order, WIDE, CONTEXT, ruleset()) == ["G1, girth-band.G1 becomes G2 head up"]


def test_where_no_rule_asks_for_a_fitting_the_number_of_people_stays() -> None:
    without = WIDE.model_copy(update={"tasks": ()})
    order = {"resourceType": "ServiceRequest", "extension": [extension("people-needed", valuePositiveInt=1)]}
    assert with_size(order, without, CONTEXT, ruleset())["extension"] == order["extension"]
    assert "extension" not in with_size({"resourceType": "ServiceRequest"}, without, CONTEXT, ruleset())


def test_a_decision_without_a_size_corrects_nothing() -> None:
    with pytest.raises(ValueError, match=r"^a decision without a size cannot correct an order$"):
        with_size({"resourceType": "ServiceRequest"}, decided(missing=True), CONTEXT, ruleset())
