"""How a command hands over a report: options ``--json`` and ``--html FILE``, and the exit code."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from cds.reports.report_blocks import Report

Command = TypeVar("Command", bound=Callable[..., Any])


def report_options(command: Command) -> Command:
    """Give ``command`` the options ``--json`` and ``--html FILE``."""
    command = click.option(
        "--html",
        type=click.Path(dir_okay=False, writable=True),
        help="Also write one self-contained page to this file.",
    )(command)
    return click.option("--json", "as_json", is_flag=True, help="As JSON.")(command)


def deliver(report: Report, *, as_json: bool, html: str | None) -> None:
    """Print ``report``, and end with 1 where there are findings, else 0.

    ``as_json`` prints it as JSON; ``html`` is the file to which the page is written where one is wanted.
    """
    if html is not None:
        from cds.reports.html_renderer import as_html

        Path(html).write_text(as_html(report), encoding="utf-8")
    if as_json:
        data = {"title": report.title, "about": report.about, "findings": report.findings, **report.data}
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        from cds.reports.text_renderer import as_text

        click.echo(as_text(report))
    click.get_current_context().exit(1 if report.findings else 0)
