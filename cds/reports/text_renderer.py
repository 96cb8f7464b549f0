"""A report as plain text for a terminal or a log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from cds.reports.report_blocks import (
    Bars,
    Block,
    Grid,
    Listing,
    Node,
    NumberLine,
    Pictures,
    Report,
    Stacks,
    Table,
    Tree,
    Words,
)

_MARKS = {"good": "+ ", "bad": "x ", "doubt": "? ", "quiet": "- ", None: ""}
_WIDEST = 60


def as_text(report: Report) -> str:
    """``report`` as lines of text, the summary last so that it stands above the prompt."""
    lines = [report.title, report.about]
    for block in report.blocks:
        shown = list(_block(block))
        if shown:
            lines += ["", *shown]
    return "\n".join([*lines, "", report.summary])


def _block(block: Block) -> Iterator[str]:
    match block:
        case Words(text):
            yield text
        case Table():
            yield from _table(block)
        case Bars(title, bars, part):
            yield title
            width = max((len(bar.label) for bar in bars), default=0)
            yield from (f"  {bar.label:<{width}}  {bar.part} of {bar.whole} {part}" for bar in bars)
        case Grid(title, groups, legend):
            yield title
            for name, cells in groups.items():
                counts = Counter(cell.state for cell in cells)
                yield f"  {name}: " + ", ".join(
                    f"{counts[state]} {words}" for state, words in legend.items() if counts[state]
                )
        case Tree(title, nodes):
            yield title
            for node in nodes:
                yield from _node(node, 1)
        case Listing(title, text):
            yield title
            yield from (f"  {line}" for line in text.rstrip().splitlines())
        case Pictures() | Stacks():
            return
        case NumberLine(title, unit, stretches, here):
            yield f"{title} ({unit})" if unit else title
            for stretch in stretches:
                mark = "   <- now" if here is not None and stretch.low <= here <= stretch.high else ""
                yield f"  {stretch.low:g} to {stretch.high:g}: {stretch.label}{mark}"


def _table(table: Table) -> Iterator[str]:
    yield table.title
    if not table.rows:
        yield f"  {table.empty}"
        return
    rows: list[Sequence[str]] = [table.columns, *table.rows]
    widths = [min(_WIDEST, max(len(row[index]) for row in rows)) for index in range(len(table.columns))]
    for row in rows:
        yield "  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()


def _node(node: Node, depth: int) -> Iterator[str]:
    yield "  " * depth + _MARKS[node.state] + node.text
    for child in node.below:
        yield from _node(child, depth + 1)
