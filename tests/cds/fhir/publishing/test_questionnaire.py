"""The fit check as a FHIR Questionnaire, and responses read back: nothing lost, nothing guessed."""

from typing import Any

import fhirkit
import pytest
from fhir.resources.R4B import get_fhir_model_class
from hypothesis import given
from hypothesis import strategies as st

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.questionnaire import questionnaire, read_response
from cds.fhir.writing.device_request import SIZE_AXIS_VALUES, axis_value_code
from rules.deciding.fit_check import FitAttempt, findings_of
from rules.errors import FactError
from rules.evaluation.hit_policy import size_class
from tests.shipped_content import RULESET

URLS = Canonicals()
FORM = questionnaire(RULESET, URLS)
FINDINGS = findings_of(RULESET)


def response(size: dict[str, str], findings: dict[str, bool], item: str | None = None) -> dict[str, Any]:
    """A response as a form filler writes it, in the groups of the questionnaire."""
    system = URLS.code_system(SIZE_AXIS_VALUES)
    worn = [
        {
            "linkId": f"size.{axis.replace('_', '-')}",
            "answer": [{"valueCoding": {"system": system, "code": axis_value_code(axis, value)}}],
        }
        for axis, value in size.items()
    ]
    found = [{"linkId": FINDINGS[name].code, "answer": [{"valueBoolean": yes}]} for name, yes in findings.items()]
    groups = [{"linkId": "size", "item": worn}, {"linkId": "findings", "item": found or [{"linkId": "ear-pressed"}]}]
    if item is not None:
        groups.append({"linkId": "item-worn", "answer": [{"valueString": item}]})
    return {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": f"{FORM['url']}|{FORM['version']}",
        "status": "completed",
        "item": groups,
    }


WORN = {"line": "adult", "height_band": "H3", "girth_band": "G2"}


def test_the_questionnaire_is_valid_r4():
    """Against fhir.resources (R4B models) and fhirkit (R4)."""
    get_fhir_model_class("Questionnaire").model_validate(FORM)
    assert fhirkit.validate(FORM) == []


def test_each_finding_is_asked_once_with_its_code():
    asked = next(item["item"] for item in FORM["item"] if item["linkId"] == "findings")
    assert [question["linkId"] for question in asked] == [fact.code for fact in FINDINGS.values()]
    assert all(question["text"].endswith("?") for question in asked)


sizes = st.fixed_dictionaries({name: st.sampled_from(axis.values) for name, axis in RULESET.axes.items()})
found = st.dictionaries(st.sampled_from(list(FINDINGS)), st.booleans())


@given(size=sizes, findings=found, item=st.none() | st.just("item 7"))
def test_a_response_is_read_back_as_it_was_given(size, findings, item):
    sent = response(size, findings, item)
    get_fhir_model_class("QuestionnaireResponse").model_validate(sent)
    assert fhirkit.validate(sent) == []
    read = read_response(sent, RULESET, URLS)
    assert read == FitAttempt(size=size_class(RULESET, size).code, item=item, findings=findings)


def test_an_axis_that_is_silent_may_be_left_out_and_what_was_not_answered_stays_unknown():
    assert read_response(response(WORN, {}), RULESET, URLS) == FitAttempt(size="adult H3 G2")


def broken(**changes: Any) -> dict[str, Any]:
    return {**response(WORN, {"no_finger_gap": True}), **changes}


def with_items(*items: Any) -> dict[str, Any]:
    sent = response(WORN, {})
    return {**sent, "item": [*sent["item"], *items]}


@pytest.mark.parametrize(
    ("sent", "named"),
    [
        (broken(resourceType="Observation"), "resourceType"),
        (broken(status="in-progress"), "status"),
        (broken(status="entered-in-error"), "status"),
        (broken(questionnaire="https://elsewhere.example.org/Questionnaire/fit-check"), "questionnaire"),
        (broken(item="none"), "QuestionnaireResponse.item"),
        (broken(item=[]), "size"),
        (with_items({"linkId": 3}), "QuestionnaireResponse.item[2]"),
        (with_items({"linkId": "shoe-size", "answer": [{"valueInteger": 43}]}), "QuestionnaireResponse.item[2].answer"),
        (with_items({"linkId": "ear-pressed", "answer": []}), "QuestionnaireResponse.item[2].answer"),
        (with_items({"linkId": "ear-pressed", "answer": [{"valueString": "yes"}]}), "ear_pressed"),
        (with_items({"linkId": "item-worn", "answer": [{"valueString": " "}]}), "item-worn"),
        (with_items({"linkId": "size.back", "answer": [{"valueCoding": {"code": "back.soft"}}]}), "back"),
        (with_items({"linkId": "size.line", "answer": [{"valueCoding": {"code": "line.child"}}]}), "line"),
        (
            with_items(
                {"linkId": "ear-pressed", "answer": [{"valueBoolean": True}]},
                {"linkId": "ear-pressed", "answer": [{"valueBoolean": False}]},
            ),
            "ear_pressed",
        ),
    ],
)
def test_what_cannot_be_used_is_named(sent, named):
    with pytest.raises(FactError) as caught:
        read_response(sent, RULESET, URLS)
    assert named in {problem.fact for problem in caught.value.problems}


def test_nesting_is_bounded():
    item: dict[str, Any] = {"linkId": "ear-pressed", "answer": [{"valueBoolean": True}]}
    for _ in range(30):
        item = {"linkId": "group", "item": [item]}
    with pytest.raises(FactError, match="levels deep"):
        read_response(with_items(item), RULESET, URLS)
