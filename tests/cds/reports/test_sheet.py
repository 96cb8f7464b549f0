"""The downtime sheet is one page, says which rules it was made from, and holds every question and caution that it must."""

import re
from datetime import date

from click.testing import CliRunner

from cds.cli import main
from cds.reports.sheet import sheet
from cds.reports.sheet_print import as_html, as_pdf
from rules.loading import load_ruleset

RULESET = load_ruleset()
SHEET = sheet(RULESET, date(2026, 1, 31))
PAGE = as_html(SHEET)


def test_it_is_one_page():
    assert len(re.findall(rb"/Type /Page\b(?!s)", as_pdf(SHEET))) == 1


def test_it_says_what_it_was_made_from_and_when():
    for words in (RULESET.version, RULESET.hash[:16], "2026-01-31", RULESET.disclaimer):
        assert words in PAGE


def test_every_reason_to_give_no_size_stands_before_the_first_question():
    start = PAGE.index("Then ask")
    for rule in RULESET.rules.values():
        for hold in rule.then.holds:
            assert hold.axis is not None or PAGE.index(hold.text) < start


def test_every_step_leads_to_a_question_that_is_there():
    numbers = {row.number for section in SHEET.sections for row in section.rows}
    everything = [leads for section in SHEET.sections for row in section.rows for _, leads in row.answers]
    led = {leads.removeprefix("go to ") for leads in everything if leads.startswith("go to ")}
    assert led < numbers
    assert [section.title for section in SHEET.sections] == [axis.title for axis in RULESET.axes.values()]


def test_the_page_loads_nothing():
    assert not re.search(r"(src|href|url\()\s*=?", PAGE)


def test_the_command(tmp_path):
    pdf, html = tmp_path / "s.pdf", tmp_path / "s.html"
    result = CliRunner().invoke(
        main, ["rules", "sheet", "--pdf", str(pdf), "--html", str(html), "--date", "2026-01-31"]
    )
    assert result.exit_code == 0, result.output
    assert pdf.read_bytes().startswith(b"%PDF")
    assert html.read_text() == PAGE
    assert CliRunner().invoke(main, ["rules", "sheet"]).exit_code == 2
