"""A report as one HTML page that needs nothing else: styles and pictures stand in it, and it loads nothing."""

from __future__ import annotations

import re

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from cds.reports import svg
from cds.reports.report_blocks import Report

_MARKS = {"good": "true", "bad": "false", "doubt": "unknown", "quiet": "silent"}

_MOST_ROWS = 40
"""Longer tables are folded, so that a page can be gone through on a phone."""


def as_html(report: Report) -> str:
    """``report`` as a page."""
    environment = Environment(
        loader=PackageLoader("cds.reports"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters["breakable"] = _breakable
    return environment.get_template("page.html").render(
        report=report,
        pictures=svg,
        kind_of=lambda block: type(block).__name__,
        marks=_MARKS,
        colours=svg.COLOURS,
        most_rows=_MOST_ROWS,
    )


def _breakable(text: str) -> Markup:
    """``text`` with places in long names where a line may break."""
    return Markup(re.sub(r"([._/])(?=[a-z])", r"\1<wbr>", str(escape(text))))
