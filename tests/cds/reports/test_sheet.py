"""The downtime sheet is one sheet of paper, says what it was made from, and holds every question and caution that it must."""

import json
import re
from collections import Counter
from dataclasses import replace
from datetime import date
from pathlib import Path
from statistics import median

import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.reports.downtime_sheet import ASK, GO_TO, HOW, OTHERWISE, STOP, as_text, sheet
from cds.reports.downtime_sheet_pdf import READABLE, as_html, as_pdf
from cds.site.catalogue import Catalogue
from rules.errors import NuqueError
from rules.evaluation.hit_policy import choose
from rules.evaluation.interpreter import fire
from tests.rules.paper import is_beyond_paper
from tests.rules.patients import as_people, population
from tests.shipped_content import RULESET

SHEET = sheet(RULESET, date(2026, 1, 31))
PAGE = as_html(SHEET)
LINE = RULESET.vocabulary["collar_line"]


SECTIONS = [section for column in SHEET.columns for section in column]
ROWS = {row.number: row for section in SECTIONS for row in section.rows}


def pages(pdf):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def test_it_is_one_sheet_in_type_that_can_be_read():
    paper = as_pdf(SHEET)
    assert pages(paper.pdf) == 2
    assert paper.points >= READABLE


@pytest.mark.xdist_group("browser")
def test_the_page_prints_on_one_sheet(browser):
    page = browser.new_page()
    page.set_content(PAGE)
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    assert pages(printed) == 2


@pytest.mark.xdist_group("browser")
@pytest.mark.parametrize("width", [360, 1440])
def test_on_a_screen_its_words_are_as_large_as_those_beside_drawings(browser, width):
    """12 pixels: what axis labels of the other pages have, and 9 pt on a screen at the CSS reference resolution."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.set_content(PAGE)
    smallest = page.evaluate(
        "Math.min(...[...document.querySelectorAll('li, .q, .a, h2, h3')]"
        ".map(one => parseFloat(getComputedStyle(one).fontSize) * one.currentCSSZoom))"
    )
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert smallest >= 12 and wide <= width


def test_a_sheet_that_has_grown_says_so_and_does_not_shrink_beyond_reading():
    with pytest.raises(NuqueError, match="does not fit two sides even at 7 points"):
        as_pdf(replace(SHEET, cautions=SHEET.cautions * 16))


def fits(words, fact, value):
    """Whether ``value`` is what ``words`` say, read as somebody reads the sheet: "302 mm or more", "57–63" ..."""
    if words == "not known":
        return value in (None, "unknown")
    if value is None:
        return False
    if not fact.numeric and " to " in words:
        first, last = (fact.values.index(one.replace(" ", "_")) for one in words.split(" to "))
        return value in fact.values[first : last + 1]
    numbers = [float(number) for number in re.findall(r"(?<![a-z])\d+(?:\.\d+)?", words)]
    if fact.numeric:
        low = numbers[0] if "–" in words or " or more" in words else -1e9
        high = numbers[-1] if "–" in words or words.startswith("below") else 1e9
        return low <= value < high
    return value == ({"yes": True, "no": False}[words] if fact.type == "boolean" else words.replace(" ", "_"))


def any_fits(words, fact, value):
    return any(fits(one, fact, value) for one in re.split(r", | or (?!more)", words))


BY_LABEL = {fact.label: fact for fact in RULESET.vocabulary.values()}


def leads_to(row, facts):
    if row.found:
        found = False
        for words in row.found:
            label = max((label for label in BY_LABEL if words.startswith(label)), key=len)
            fact, rest = BY_LABEL[label], words.removeprefix(label).removeprefix(" or").strip()
            bare = fact.type == "boolean" and rest in ("", "not known")
            said = ", ".join(["yes", *([rest] if rest else [])]) if bare else rest
            found = found or any_fits(said, fact, facts.get(fact.name))
        return dict(row.answers)["any" if found else "none"]
    label = re.sub(r" \([a-z0-9/]+\)\?$|\?$", "", row.question)
    fact = next(fact for known, fact in BY_LABEL.items() if known.lower() == label.lower())
    (leads,) = [leads for words, leads in row.answers if any_fits(words, fact, facts.get(fact.name))]
    return leads


def for_the_line(leads, facts):
    """What follows for the patient's line: "H2, H3; infant: NO SIZE (b)" names what most lines get, then the exceptions."""
    most, *exceptions = leads.split(OTHERWISE)
    special = [
        after for words, after in (one.split(": ") for one in exceptions) if any_fits(words, LINE, facts.get(LINE.name))
    ]
    return special[0] if special else most


@pytest.mark.parametrize("seed", range(2))
def test_somebody_who_follows_the_printed_words_finds_the_size_of_the_engine(seed):
    assert SECTIONS
    people = as_people(population(RULESET, 1000, seed))
    assert len(people) == 1000
    followed = Counter()
    for drawn in people:
        # Edges are printed to 0.01, so people are asked about who are not that near to one. Fingers are whole or half.
        person = {name: round(value, 1) if isinstance(value, float) else value for name, value in drawn.items()}
        if person.get("neck_height_fingers") is not None:
            person["neck_height_fingers"] = round(person["neck_height_fingers"] * 2) / 2
        firing = fire(RULESET, person)
        facts, sizing = firing.facts, choose(RULESET, firing.fired)
        # Whoever has no line has read "NO SIZE" at the first heading, and reads on at none that asks for the line.
        lineless = any(hold.axis == "line" for _, hold in sizing.holds)
        for section, axis in (
            (one, next(a for a in RULESET.axes.values() if a.title == one.title)) for one in SECTIONS
        ):
            if is_beyond_paper(RULESET, axis, facts, firing.fired) or (lineless and axis.edges):
                continue
            followed[axis.name] += 1
            leads = for_the_line(leads_to(section.rows[0], facts), facts)
            while leads.startswith(GO_TO):
                leads = for_the_line(leads_to(ROWS[leads.removeprefix(GO_TO)], facts), facts)
            held = [hold.summary for _, hold in sizing.holds if hold.axis == axis.name]
            candidates = ", ".join(value.replace("_", " ") for value in sizing.axes[axis.name].candidates)
            if leads.startswith("NO SIZE "):
                (leads,) = [note for note in section.notes if note.startswith(leads.removeprefix("NO SIZE "))]
                leads = f"NO SIZE: {leads[4:]}"
            assert leads == (f"NO SIZE: {held[0]}" if held else candidates or "no size (see above)"), (
                axis.name,
                person,
            )
    # Nearly everybody: an estimate from stature and weight together is beyond paper, so are two lines in question, and whoever
    # has no line is given no size at the first heading.
    assert len(followed) == len(SECTIONS) and min(followed.values()) >= 880


def test_fingers_are_asked_for_whole_or_half():
    rows = [row for row in ROWS.values() if "finger" in row.question]
    said = [words for row in rows for words, _ in row.answers]
    numbers = [float(number) for words in said for number in re.findall(r"\d+(?:\.\d+)?", words)]
    assert rows and numbers
    assert [row.question for row in rows if not row.question.endswith("(halves)?")] == []
    assert [number for number in numbers if number * 2 % 1] == []


def applies(words, facts):
    """Whether the finding ``words`` is there: "Halo in place", "Head position: fixed flexion and neck height below 20 mm"."""
    parts = words.split(" and ")
    found = []
    for part in parts:
        fact = max(
            (one for one in RULESET.vocabulary.values() if part.lower().startswith(one.label.lower())), key=_length
        )
        rest = part[_length(fact) :].removeprefix(":").strip()
        found.append(any_fits(rest or "yes", fact, facts.get(fact.name)))
    return all(found)


def what_to_do(hold):
    """The short text of ``hold`` without the reason before its colon: on the sheet the condition stands there."""
    return re.sub(r"^[^:]*: (.)", lambda found: found[1].upper(), hold.summary)


def _length(fact):
    return len(fact.label)


@pytest.mark.parametrize("seed", range(2))
def test_somebody_who_reads_the_findings_gives_no_size_where_the_engine_gives_none(seed):
    stopped = set()
    for drawn in as_people(population(RULESET, 2000, seed)):
        person = {name: round(value, 1) if isinstance(value, float) else value for name, value in drawn.items()}
        firing = fire(RULESET, person)
        held = {what_to_do(hold) for _, hold in choose(RULESET, firing.fired).holds if hold.axis is None}
        assert {text for words, text in SHEET.stops if applies(words, firing.facts)} == held, person
        stopped |= held
    assert stopped == {text for _, text in SHEET.stops}


def test_no_size_leads_where_no_line_gets_it():
    """A size that stands first and is nobody's is read first, and nobody corrects it on paper."""
    exceptions = 0
    for row in ROWS.values():
        for words, leads in row.answers:
            most, *rest = leads.split(OTHERWISE)
            told = {value for one in rest for value in LINE.values if any_fits(one.split(": ")[0], LINE, value)}
            exceptions += len(rest)
            assert told != set(LINE.values), (row.number, words, most)
    assert exceptions > 20


def test_a_size_can_be_turned_into_a_collar():
    """Every band with its edges, and with a catalogue every item with the necks that it takes."""
    assert SHEET.shelf == ()
    catalogue = Catalogue.load(Path("demo_bundles/catalogue.yaml"), RULESET)
    stocked = sheet(RULESET, date(2026, 1, 31), catalogue.items)
    said, page = as_text(stocked), as_html(stocked)
    bands = [value for axis in RULESET.axes.values() if axis.edges for value in axis.values]
    for value in bands:
        assert re.search(rf"\b{value} .*\d+ ", "\n".join(SHEET.sizes))
    assert "H3 60 to under 75 mm" in page and "G4 635 mm or more" in page
    assert len(stocked.shelf) == len(catalogue.items) > 20
    for item in catalogue.items:
        assert f"{item.item} {item.name}" in said and f"{item.item} {item.name}" in page
    assert "Adult, any back: HM-203 Valley collar, extra wide, 28–52 x 500–690" in said
    paper = as_pdf(stocked)
    assert pages(paper.pdf) == 2 and paper.points >= READABLE


def test_every_caution_stands_in_a_group_of_its_own_kind():
    titles = [title for title, _ in SHEET.cautions]
    assert titles == ["Airway, breathing, swallowing", "Head and spine", "While the collar is on"]
    airway = dict(SHEET.cautions)["Airway, breathing, swallowing"]
    assert any(words.startswith("Trouble breathing or swallowing") for words in airway)


def test_the_foot_is_for_the_reader_and_not_for_the_author():
    assert not re.search(r"average|likely|rounded|%", SHEET.foot)


def test_it_says_what_it_was_made_from_and_when():
    for words in (RULESET.version, RULESET.hash[:16], "2026-01-31", RULESET.disclaimer):
        assert words in PAGE


def test_every_reason_to_give_no_size_stands_before_the_first_question():
    start = PAGE.index(ASK)
    holds = [hold for rule in RULESET.rules.values() for hold in rule.then.holds if hold.axis is None]
    assert holds
    for hold in holds:
        assert PAGE.index(what_to_do(hold)) < start


def test_every_step_leads_to_a_question_that_is_there():
    everything = [leads for row in ROWS.values() for _, leads in row.answers]
    led = {number for leads in everything for number in re.findall(rf"{GO_TO}(\d+)", leads)}
    assert led == ROWS.keys() - {section.rows[0].number for section in SECTIONS}
    assert [int(number) for number in ROWS] == list(range(1, len(ROWS) + 1))
    assert {section.title for section in SECTIONS} == {axis.title for axis in RULESET.axes.values()}


def test_the_page_loads_nothing():
    assert not re.search(r"(src|href|url\()\s*=?", PAGE)


def test_the_command(tmp_path):
    pdf, html = tmp_path / "s.pdf", tmp_path / "s.html"
    arguments = ["rules", "sheet", "--date", "2026-01-31"]
    result = CliRunner().invoke(main, [*arguments, "--pdf", str(pdf), "--html", str(html)])
    assert result.exit_code == 0, result.output
    assert pdf.read_bytes().startswith(b"%PDF")
    assert html.read_text() == PAGE
    assert result.stdout == as_text(SHEET) + "\n"
    said = json.loads(CliRunner().invoke(main, [*arguments, "--json"]).stdout)
    assert said["about"] == SHEET.about
    assert said["columns"][0][0]["rows"][0]["question"] == ROWS["1"].question


def test_the_command_names_the_items_of_a_catalogue():
    result = CliRunner().invoke(main, ["rules", "sheet", "--catalogue", "demo_bundles/catalogue.yaml"])
    assert result.exit_code == 0, result.output
    assert "HM-110 Cradle collar" in result.stdout


def test_the_text_says_everything_that_the_page_says():
    said = as_text(SHEET)
    assert SHEET.tasks and SHEET.cautions and SHEET.stops and ROWS
    everything = [
        *SHEET.tasks,
        *SHEET.sizes,
        *(words for title, lines in SHEET.cautions for words in (title, *lines)),
        *(text for stop in SHEET.stops for text in stop),
        SHEET.about,
        SHEET.foot,
    ]
    everything += [f"{answer} -> {leads}" for row in ROWS.values() for answer, leads in row.answers]
    assert [words for words in everything if words not in said] == []


WORDS_A_MINUTE = 238
"""Silent reading of English prose: Brysbaert 2019, a review and meta-analysis of reading rate (from memory)."""
MINUTES = 2


def words(*texts):
    return sum(len(re.findall(r"\w+(?:[-./]\w+)*", text)) for text in texts)


def read_to_the_size(facts):
    """How many words of the front somebody reads for one patient: all that stops, then the questions on the way.

    Of a question all that may be found and all its answers count, and of what follows only what follows for this patient.
    """
    read = words(SHEET.title, STOP, ASK, HOW, *(text for stop in SHEET.stops for text in stop))
    for section in SECTIONS:
        read += words(section.title)
        row = section.rows[0]
        while True:
            leads = leads_to(row, facts)
            read += words(row.question, *row.found, *(answer for answer, _ in row.answers), leads)
            leads = for_the_line(leads, facts)
            if not leads.startswith(GO_TO):
                break
            row = ROWS[leads.removeprefix(GO_TO)]
    return read


def test_the_way_to_the_size_is_read_in_two_minutes():
    """Whoever it is, somebody of whom nothing is known too; ``pytest -s`` prints the numbers of docs/downtime.md."""
    read = [read_to_the_size(fire(RULESET, {}).facts)]
    for drawn in as_people(population(RULESET, 300, 3)):
        person = {name: round(value, 1) if isinstance(value, float) else value for name, value in drawn.items()}
        if person.get("neck_height_fingers") is not None:
            person["neck_height_fingers"] = round(person["neck_height_fingers"] * 2) / 2
        read.append(read_to_the_size(fire(RULESET, person).facts))
    print(f"words to the size: median {median(read):.0f}, most {max(read)}")
    assert len(read) == 301
    assert max(read) <= WORDS_A_MINUTE * MINUTES
