"""The decision models, read by ``dmn-moddle`` and with every cell evaluated by ``@bpmn-io/feelin``, decide as the service does.

Source: Decision Model and Notation 1.3 (OMG), https://www.omg.org/spec/DMN/1.3; hit policies, 8.2.10.
"""

from pathlib import Path

import pytest

from cds.fhir.publishing.dmn.decision_model import DecisionModel, DecisionTable
from cds.fhir.publishing.dmn.tables import decision_models
from rules.testing.generators import Generator
from tests.published.engines.decision_tables import apart, by_file, by_service, by_tables
from tests.shipped_content import RULESET

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("engines")]

MODELS = {model.name: model for model in decision_models(RULESET)}
WIDER_FIRST = {"age_years": 40, "sex": "male", "weight_kg": 125.0}
"""A heavy man of unknown stature: the wider of two girths is offered first."""
PATIENTS = [*Generator(RULESET, seed=7).patients(60), WIDER_FIRST]


@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS)
def test_the_tables_decide_as_the_service_does(model: DecisionModel, tmp_path: Path) -> None:
    said = [by_service(model, RULESET, facts) for facts in PATIENTS]
    given = list(by_tables(model, RULESET, PATIENTS, tmp_path))
    assert len({str(one) for one in said}) > 10
    assert [different for ours, other in zip(said, given, strict=True) if (different := apart(ours, other))] == []


def test_what_is_offered_first_is_tried_first(tmp_path: Path) -> None:
    (given,) = by_tables(MODELS["sizing"], RULESET, [WIDER_FIRST], tmp_path)
    assert given["girth_band_candidates"] == [3, 2]


def test_the_models_hold_the_four_questions_of_a_board() -> None:
    assert {"line_candidates", "girth_band_candidates", "holds"} <= names("sizing")
    assert {"collar_need", "motion_restriction"} <= names("need")
    assert {"inspect_skin_interval", "skin_risk"} <= names("skin-inspection")
    assert {f"{task}_people" for task in ("fit_collar", "check_fit")} <= names("people")


def names(model: str) -> set[str]:
    return {decision.name for decision in MODELS[model].decisions}


def test_a_planted_wrong_cell_is_caught(tmp_path: Path) -> None:
    (table,) = (decision for decision in MODELS["sizing"].decisions if decision.name == "height_band_offers")
    assert isinstance(table, DecisionTable)
    cell = next(cell for row in table.rows for cell in row.cells.values() if cell.startswith(">= "))
    list(by_tables(MODELS["sizing"], RULESET, [], tmp_path))
    file = tmp_path / "sizing.dmn"
    written, wrong = f"<text>&gt;= {cell[3:]}</text>", f"<text>&lt; {cell[3:]}</text>"
    assert written in file.read_text()
    file.write_text(file.read_text().replace(written, wrong))
    given = by_file(file, RULESET, PATIENTS)
    assert any(apart(by_service(MODELS["sizing"], RULESET, f), other) for f, other in zip(PATIENTS, given, strict=True))
