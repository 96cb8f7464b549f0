"""A decision model as a DMN 1.3 file.

Source: Decision Model and Notation 1.3 (OMG), chapter 13, https://www.omg.org/spec/DMN/20191111/MODEL/
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.dmn.decision_model import Decision, DecisionModel, DecisionTable, Formula
from rules.model.facts import FactDefinition, Vocabulary

NAMESPACE = "https://www.omg.org/spec/DMN/20191111/MODEL/"
_TYPES = {"boolean": "boolean", "code": "string"}


def dmn_file(model: DecisionModel, vocabulary: Vocabulary, urls: Canonicals) -> str:
    """``model`` as XML, the same for the same model.

    ``vocabulary`` defines its facts, ``urls`` has the base of its namespace.
    """
    root = Element(
        "definitions",
        {"xmlns": NAMESPACE, "id": model.name, "name": model.title, "namespace": f"{urls.base}/dmn/{model.name}"},
    )
    for name in model.inputs:
        fact = _fact(name, vocabulary)
        data = SubElement(root, "inputData", id=f"input_{name}", name=name)
        SubElement(data, "description").text = fact.meaning + (f" In {fact.unit}." if fact.unit else "")
        _variable(data, name, fact)
    inputs = set(model.inputs)
    for decision in model.decisions:
        _decision(root, decision, inputs, vocabulary)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _fact(name: str, vocabulary: Vocabulary) -> FactDefinition:
    return vocabulary[name if name in vocabulary else name.removeprefix("recorded_")]


def _variable(parent: Element, name: str, fact: FactDefinition | None) -> None:
    kind = "Any" if fact is None else _TYPES.get(fact.type, "number")
    SubElement(parent, "variable", id=f"variable_{name}", name=name, typeRef=kind)


def _decision(root: Element, decision: Decision, inputs: set[str], vocabulary: Vocabulary) -> None:
    element = SubElement(root, "decision", id=decision.name, name=decision.name)
    SubElement(element, "question").text = decision.label
    _variable(element, decision.name, vocabulary.get(decision.name))
    needs = decision.inputs if isinstance(decision, DecisionTable) else decision.needs
    for need in needs:
        requirement = SubElement(element, "informationRequirement", id=f"{decision.name}_needs_{need}")
        if need in inputs:
            SubElement(requirement, "requiredInput", href=f"#input_{need}")
        else:
            SubElement(requirement, "requiredDecision", href=f"#{need}")
    if isinstance(decision, Formula):
        literal = SubElement(element, "literalExpression", id=f"{decision.name}_expression")
        SubElement(literal, "text").text = decision.expression
    else:
        _table(element, decision)


def _table(parent: Element, table: DecisionTable) -> None:
    attributes = {"id": f"{table.name}_table", "hitPolicy": table.policy}
    if table.aggregation:
        attributes["aggregation"] = table.aggregation
    element = SubElement(parent, "decisionTable", attributes)
    for fact in table.inputs:
        column = SubElement(element, "input", id=f"{table.name}_in_{fact}", label=fact)
        expression = SubElement(column, "inputExpression", id=f"{table.name}_is_{fact}")
        SubElement(expression, "text").text = fact
    for name in table.outputs:
        SubElement(element, "output", id=f"{table.name}_out_{name}", name=name)
    SubElement(element, "annotation", name="rule")
    for number, row in enumerate(table.rows, start=1):
        line = SubElement(element, "rule", id=f"{table.name}_{number}")
        _entries(line, "inputEntry", (row.cells.get(fact, "-") for fact in table.inputs))
        _entries(line, "outputEntry", (row.outputs[name] for name in table.outputs))
        SubElement(SubElement(line, "annotationEntry"), "text").text = row.rule


def _entries(line: Element, kind: str, cells: Iterable[str]) -> None:
    for place, cell in enumerate(cells, start=1):
        SubElement(SubElement(line, kind, id=f"{line.get('id')}_{kind}_{place}"), "text").text = cell
