"""The patient's instructions as notes of the care plan: one for each language, as Markdown to print or to copy."""

from __future__ import annotations

from cds.fhir.datatypes import Element
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.request_common import note
from rules.model.decision import Decision, Leaflet


def instruction_notes(decision: Decision, context: OrderContext) -> list[Element]:
    """An Annotation for each leaflet of ``decision``, with the rules behind its instructions; empty where there is none.

    Codes stand under the base of ``context``.
    """
    rules = dict.fromkeys(rule for instruction in decision.instructions for rule in instruction.rules)
    return [note(decision, leaflet_markdown(leaflet), context, rules) for leaflet in decision.leaflets]


def leaflet_markdown(leaflet: Leaflet) -> str:
    """``leaflet`` in Markdown: title with its language, the notice, and a heading with its lines for each instruction."""
    parts = [f"# {leaflet.title} ({leaflet.language})", f"*{leaflet.notice}*"]
    for section in leaflet.sections:
        parts += [f"## {section.title}", "\n".join(f"- {line}" for line in section.lines)]
    return "\n\n".join(parts)
