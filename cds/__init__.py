"""The service: how a decision of ``rules`` reaches the order, the record and the bedside.

It reads FHIR R4 into facts, asks ``rules`` for a decision, and returns it as CDS Hooks cards, FHIR resources, a web page or
a printed report. All clinical judgement stays in ``rules``.

What stands in ``__all__`` is for embedders and keeps its name; everything else may move. Each name is imported when it is
first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from rules import __version__

if TYPE_CHECKING:
    from cds.bootstrap.app import create_app
    from cds.fhir.publishing.artifacts import artefacts
    from cds.fhir.reading.bundle_index import ReadingError
    from cds.fhir.reading.code_map import CodeMap
    from cds.fhir.reading.code_map_loader import load_code_map
    from cds.fhir.reading.reader import Reading, read
    from cds.fhir.writing.order_context import OrderContext
    from cds.fhir.writing.proposal import suggested
    from cds.settings import Settings
    from cds.site.catalogue import Catalogue

_WHERE = {
    "Catalogue": "cds.site.catalogue",
    "CodeMap": "cds.fhir.reading.code_map",
    "OrderContext": "cds.fhir.writing.order_context",
    "Reading": "cds.fhir.reading.reader",
    "ReadingError": "cds.fhir.reading.bundle_index",
    "Settings": "cds.settings",
    "artefacts": "cds.fhir.publishing.artifacts",
    "create_app": "cds.bootstrap.app",
    "load_code_map": "cds.fhir.reading.code_map_loader",
    "read": "cds.fhir.reading.reader",
    "suggested": "cds.fhir.writing.proposal",
}

__all__ = [
    "Catalogue",
    "CodeMap",
    "OrderContext",
    "Reading",
    "ReadingError",
    "Settings",
    "__version__",
    "artefacts",
    "create_app",
    "load_code_map",
    "read",
    "suggested",
]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_WHERE[name]), name)
