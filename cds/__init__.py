"""The service: how a decision of ``rules`` reaches the order, the record and the bedside.

It reads FHIR R4 into facts, asks ``rules`` for a decision, and returns it as CDS Hooks cards, FHIR
resources, a web page or a printed report. All clinical judgement stays in ``rules``.
"""

from rules import __version__

__all__ = ["__version__"]
