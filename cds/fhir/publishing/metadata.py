"""What every published artefact opens with: its canonical URL, version, name and standing."""

from __future__ import annotations

from html import escape

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Element, present, text
from cds.fhir.publishing.expression_languages.notation import computable
from rules.model.ruleset import Ruleset

PUBLISHER = "Nuque"


def heading(resource_type: str, name: str, title: str, description: str, ruleset: Ruleset, urls: Canonicals) -> Element:
    """The first elements of the artefact ``name`` of the ``resource_type``, with its ``title`` and ``description``.

    ``ruleset`` gives the version, ``urls`` the canonical URL. Always a draft: whether content may be used on patients
    is for a site to say, not for the software.
    """
    own = code(name)
    return present(
        resourceType=resource_type,
        id=own,
        text=_narrative(title, description),
        url=urls.artefact(resource_type, own),
        version=ruleset.version,
        name=computable(name),
        title=text(title),
        status="draft",
        publisher=PUBLISHER,
        description=text(description),
    )


def _narrative(title: str, description: str) -> Element:
    """What a person reads who opens the resource in a system that knows nothing of it."""
    words = f"<p><b>{escape(text(title))}</b></p><p>{escape(text(description))}</p>"
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{words}</div>'}
