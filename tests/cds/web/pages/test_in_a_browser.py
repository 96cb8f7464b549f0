"""The pages in Chromium: narrow and wide, light, dark, on paper, by keyboard alone, without JavaScript, and for axe-core."""

from __future__ import annotations

import re
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from cds.web.pages.rendering import POLICY
from tests.cds.hook_calls import MEASURED, observation, order_select
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

pytestmark = [pytest.mark.browser, pytest.mark.slow]

WIDTHS = (360, 768, 1440)
PATIENT = {"neck_height_mm": "67", "neck_circumference_mm": "381", "age_years": "43"}
"""Values that stand nowhere else on an empty page."""


@pytest.fixture(scope="module")
def live() -> Iterator[LiveService]:
    with running(NUQUE_CATALOGUE="demo_bundles/catalogue.yaml", NUQUE_PUBLIC_URL="https://cds.example.org") as service:
        yield service


@contextmanager
def opened(browser: Browser, address: str, **context: Any) -> Iterator[Page]:
    """A page in a context of its own; at the end nothing was wrong in it, and nothing was asked of another host."""
    with browser.new_context(**context) as made:
        made.set_default_timeout(PATIENCE_SECONDS * 1000)
        page = made.new_page()
        problems: list[str] = []
        asked: list[str] = []
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.on("console", lambda message: problems.append(message.text) if message.type == "error" else None)
        page.on("request", lambda request: asked.append(request.url))
        page.goto(address)
        yield page
        home = address.split("/", 3)[2]
        assert {url.split("/", 3)[2] for url in asked} == {home}
        # A browser reports an answer 422 as an error of loading; it is how the service says that a field is wrong.
        # htmx reports a call that a newer entry has overtaken.
        expected = ("status of 422", "htmx:sendAbort", "htmx:afterRequest")
        assert [text for text in problems if not any(words in text for words in expected)] == []


@contextmanager
def answered(page: Page) -> Iterator[None]:
    """What is entered within is answered and the answer stands in the page, so that nothing moves any more."""
    with page.expect_response("**/bedside/answer"):
        yield
    expect(page.locator(".htmx-request, .htmx-swapping, .htmx-settling, .htmx-added")).to_have_count(
        0, timeout=PATIENCE_SECONDS * 1000
    )


def type_in(page: Page, entries: dict[str, str]) -> None:
    """Fill fields, and wait for the answer to each."""
    for name, value in entries.items():
        with answered(page):
            page.locator(f'input[name="{name}"]').fill(value)


def violations(page: Page) -> list[str]:
    """What axe-core finds, of any impact, as its rule and the place."""
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {node['target']}" for one in found for node in one["nodes"]]


@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (768, "light"), (1440, "light"), (1440, "dark")])
def test_nobody_is_shut_out_of_the_bedside_page(browser: Browser, live: LiveService, width: int, scheme: Any) -> None:
    with opened(browser, f"{live.url}/bedside", viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        type_in(page, PATIENT)
        # One fold of each kind; the others are made by the same lines of the template.
        page.locator("details.group, .lane details, .why, .how").evaluate_all(
            "all => all.filter((one, i) => i < 3 || one.matches('.why:first-of-type')).forEach(one => { one.open = true })"
        )
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (768, "dark"), (1440, "light")])
def test_nobody_is_shut_out_of_the_fit_check(browser: Browser, live: LiveService, width: int, scheme: Any) -> None:
    """From the start over a correction to the record."""
    with opened(browser, f"{live.url}/fit", viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        for axis, value in (("line", "adult"), ("height_band", "H3"), ("girth_band", "G2")):
            page.select_option(f'[name="size.{axis}"]', value)
        page.check("[name=chin_over_edge]")
        for begins in ("Seat the same size again", "Nothing to correct"):
            assert violations(page) == []
            page.click("button.main")
            assert page.locator("[data-part=summary]").inner_text().startswith(begins)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            if page.locator("[name=looked]").is_visible():
                page.check("[name=looked]")
        assert violations(page) == []


@pytest.mark.parametrize("path", ["/rules?q=halo", "/rules/sizing.line.adult", "/rules/parameters"])
@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1440, "light")])
def test_nobody_is_shut_out_of_the_rules(
    browser: Browser, live: LiveService, path: str, width: int, scheme: Any
) -> None:
    with opened(browser, live.url + path, viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (768, "dark"), (1440, "light")])
def test_nobody_is_shut_out_of_trying_a_hook(browser: Browser, live: LiveService, width: int, scheme: Any) -> None:
    with opened(browser, f"{live.url}/try", viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        page.select_option("#patient", "20")
        page.click("button:has-text('Prepare')")
        page.click("button.main")
        page.locator("[data-part=card]").first.wait_for()
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_what_is_pressed_is_at_least_44_pixels_high(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside", viewport={"width": 360, "height": 900}) as page:
        type_in(page, PATIENT)
        heights = page.evaluate(
            "[...document.querySelectorAll('a, button, summary, select, input')].filter(one => one.checkVisibility())"
            ".filter(one => !one.matches('.skip')).map(one => [one.outerHTML.slice(0, 80), one.getBoundingClientRect().height])"
        )
        assert len(heights) > 20
        assert [one for one in heights if one[1] < 44] == []


def test_the_answer_follows_what_is_typed_and_links_lead_to_their_field(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        type_in(page, PATIENT)
        assert page.locator("[data-part=code]").inner_text() == "adult H3 G2"
        assert "height 60 to under 75 mm" in page.locator("#said").inner_text()
        page.locator(".next a").first.click()
        assert page.evaluate("document.activeElement.closest('.field').id") == "f-airway_threat"
        page.keyboard.press("ArrowLeft")
        page.locator("text=Assess the airway first").first.wait_for()
        page.locator('input[name="neck_height_mm"]').fill("wide")
        page.locator("#e-neck_height_mm:has-text('is not a number')").wait_for()
        entries = 'input[name="neck_height_mm"], input[name="neck_circumference_mm"]'
        assert page.locator(entries).evaluate_all("all => all.map(one => one.getAttribute('aria-invalid'))") == [
            "true",
            None,
        ]
        # Whoever does not read the words beneath sees which field they are about.
        borders = page.locator(entries).evaluate_all("all => all.map(one => getComputedStyle(one).borderTop)")
        assert borders[0].startswith("2px") and borders[1].startswith("1px")
        assert page.locator("[data-part=code]").count() == 0


def test_a_number_that_is_being_typed_is_no_mistake_until_its_writer_pauses(
    browser: Browser, live: LiveService
) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        page.evaluate(
            "window.said = []; new MutationObserver(() => said.push(document.getElementById('e-neck_height_mm').textContent))"
            ".observe(document.body, { childList: true, subtree: true, characterData: true })"
        )
        height = page.locator('input[name="neck_height_mm"]')
        height.press_sequentially("66", delay=200)
        page.locator("[data-part=code]").wait_for()
        assert page.evaluate("said.filter(text => text)") == []
        height.fill("6")
        page.locator("#e-neck_height_mm:has-text('6 mm is implausible')").wait_for()
        assert page.locator("[data-part=problems]").is_visible()
        height.fill("66")
        page.locator("[data-part=code]").wait_for()
        height.fill("7")
        height.blur()
        page.locator("#e-neck_height_mm:has-text('7 mm is implausible')").wait_for()


def test_what_was_unfolded_stays_so_when_the_answer_changes(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        type_in(page, PATIENT)
        page.locator(".tasks summary", has_text="Put the collar on").click()
        page.locator("summary", has_text="rules fired").click()
        page.locator(".why > summary").first.click()
        page.locator(".why > summary").first.focus()
        named = "all => all.filter(one => one.open).map(one => one.querySelector('summary').innerText.split('\\n')[0])"
        before = page.locator("#answer details").evaluate_all(named)
        assert len(before) == 3
        type_in(page, {"neck_height_mm": "82"})
        assert page.locator("[data-part=code]").inner_text() == "adult H4 G2"
        after = page.locator("#answer details").evaluate_all(named)
        assert "Put the collar on" in " ".join(after) and len(after) == 3


def test_by_keyboard_alone_from_an_empty_page_to_a_size(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        reached = {}
        for _ in range(40):
            page.keyboard.press("Tab")
            name = page.evaluate("document.activeElement.name || ''")
            if name in PATIENT and name not in reached:
                reached[name] = True
                page.keyboard.type(PATIENT[name])
            if len(reached) == len(PATIENT):
                break
        # A call that the page's leaving cuts off would be reported as an error.
        page.wait_for_load_state("networkidle")
        page.keyboard.press("Enter")
        page.locator("[data-part=code]:has-text('adult H3 G2')").wait_for()


def test_from_an_empty_page_to_a_size_in_five_entries_and_to_paper_in_two_more(
    browser: Browser, live: LiveService
) -> None:
    """The fields are filled in their order, as somebody does who passes from each to the next."""
    known = {**PATIENT, "head_position": "n", "collar_in_place": " "}
    with opened(browser, f"{live.url}/bedside") as page:
        entries = 0
        while page.locator("[data-part=code]").count() == 0 or entries < len(PATIENT):
            page.keyboard.press("Tab")
            name = page.evaluate("document.activeElement.name || ''")
            if name in known:
                with answered(page):
                    page.keyboard.type(known.pop(name))
                entries += 1
            assert entries <= 5
        assert page.locator("[data-part=code]").inner_text() == "adult H3 G2" and entries == 3
        paper = _printed(page, "Print the plan")
        assert "height 60 to under 75 mm" in paper.locator("[data-part=size]").inner_text()
        paper.evaluate("window.print = () => { document.title = 'printed' }")
        paper.click("button:has-text('Print')")
        assert paper.title() == "printed"


def _tabbed_to(page: Page, selector: str) -> None:
    """The first element that ``selector`` names has the focus, reached by the tabulator alone."""
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement === document.querySelector(selector)", selector):
            return
    raise AssertionError(f"never reached: {selector}")


def test_by_keyboard_alone_through_a_fit_check(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/fit") as page:
        for axis, begins in (("line", "Adult"), ("height_band", "60"), ("girth_band", "330")):
            _tabbed_to(page, f'[name="size.{axis}"]')
            page.keyboard.type(begins)
        _tabbed_to(page, "[name=chin_over_edge]")
        page.keyboard.press("Space")
        _tabbed_to(page, "button.main")
        page.keyboard.press("Enter")
        page.locator("[data-part=summary]").first.wait_for()
        assert page.locator("[data-part=summary]").first.inner_text().startswith("Seat the same size again")
        _tabbed_to(page, "[name=looked]")
        page.keyboard.press("Space")
        _tabbed_to(page, "button.main")
        page.keyboard.press("Enter")
        page.locator("[data-part=record]").wait_for()
        assert "Found: nothing" in page.locator("[data-part=record]").input_value()


def test_by_keyboard_alone_through_the_rules_and_a_hook(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/rules") as page:
        _tabbed_to(page, "#q")
        page.keyboard.type("halo holds")
        page.keyboard.press("Enter")
        page.locator("[role=status]").wait_for()
        _tabbed_to(page, "[data-part=rule] a")
        page.keyboard.press("Enter")
        page.locator("[data-part=because]").wait_for()
        page.goto(f"{live.url}/rules/parameters")
        _tabbed_to(page, "details.group summary")
        page.keyboard.press("Enter")
        _tabbed_to(page, "details.number summary")
        page.keyboard.press("Enter")
        assert page.locator("details.number code").first.is_visible()
        page.goto(f"{live.url}/try")
        _tabbed_to(page, "#patient")
        page.keyboard.type("03")
        _tabbed_to(page, ".filters button")
        page.keyboard.press("Enter")
        page.wait_for_url("**patient=03**")
        _tabbed_to(page, "button.main")
        page.keyboard.press("Enter")
        page.locator("[data-part=card]").first.wait_for()
        _tabbed_to(page, ".suggestion summary")
        page.keyboard.press("Enter")
        assert page.locator(".suggestion pre").first.is_visible()


def test_without_javascript_a_fit_check_the_rules_and_a_hook_work(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/fit", java_script_enabled=False) as page:
        for axis, value in (("line", "adult"), ("height_band", "H3"), ("girth_band", "G2")):
            page.select_option(f'[name="size.{axis}"]', value)
        page.check("[name=looked]")
        page.click("button.main")
        assert "Found: nothing" in page.locator("[data-part=record]").input_value()
        assert not page.locator("[data-copy]").is_visible()
    with opened(browser, f"{live.url}/rules", java_script_enabled=False) as page:
        page.fill("#q", "halo")
        page.click("button.main")
        page.locator("[data-part=rule] a").first.click()
        assert page.locator("[data-part=because]").is_visible()
    with opened(browser, f"{live.url}/try", java_script_enabled=False) as page:
        page.select_option("#patient", "03")
        page.click("button:has-text('Prepare')")
        page.click("button.main")
        assert page.locator("[data-part=card]").count() > 0


def test_what_is_copied_is_what_is_shown_and_runs_in_a_browser(browser: Browser, live: LiveService) -> None:
    copied = "navigator.clipboard.readText()"
    with opened(browser, f"{live.url}/fit", permissions=["clipboard-read", "clipboard-write"]) as page:
        for axis, value in (("line", "adult"), ("height_band", "H3"), ("girth_band", "G2")):
            page.select_option(f'[name="size.{axis}"]', value)
        page.check("[name=looked]")
        page.click("button.main")
        page.click("[data-copy]")
        page.locator("[data-copy]:has-text('Copied')").wait_for()
        assert page.evaluate(copied) == page.locator("[data-part=record]").input_value()
        page.goto(f"{live.url}/try?patient=03")
        page.locator("summary", has_text="JavaScript").click()
        page.locator("[data-copy]:visible").click()
        page.locator("[data-copy]:has-text('Copied')").wait_for()
        snippet = page.evaluate(copied).replace("console.log(await answer.json())", "return await answer.json()")
        assert page.evaluate(f"async () => {{ {snippet} }}")["cards"]


def test_by_keyboard_the_other_facts_are_reached_without_the_answer_between(
    browser: Browser, live: LiveService
) -> None:
    with opened(browser, f"{live.url}/bedside", viewport={"width": 1440, "height": 900}) as page:
        type_in(page, PATIENT)
        page.locator("button.main").focus()
        page.keyboard.press("Tab")
        shortcut = page.locator("a[href='#more']")
        expect(shortcut).to_be_focused()
        expect(shortcut).to_be_in_viewport()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.closest('.more') !== null")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_choice_that_says_nothing_is_recorded_is_seen_to_be_chosen(
    browser: Browser, live: LiveService, scheme: Any
) -> None:
    """WCAG 2.2, 1.4.11: at least 3:1 between what shows the state and what lies beside it."""
    dot = (
        "one => { const dot = getComputedStyle(one, '::before');"
        " return [dot.visibility, dot.borderTopColor, getComputedStyle(one).backgroundColor] }"
    )
    with opened(browser, f"{live.url}/bedside", color_scheme=scheme) as page:
        choice = page.locator("#f-collar_in_place label:last-child")
        seen, colour, beside = choice.evaluate(dot)
        lighter, darker = sorted((_luminance(colour), _luminance(beside)), reverse=True)
        assert seen == "visible" and (lighter + 0.05) / (darker + 0.05) >= 3
        with answered(page):
            page.check("[name=collar_in_place][value=true]", force=True)
        assert choice.evaluate(dot)[0] == "hidden"


# By what WCAG 2.2, 1.4.12 asks that a reader may set.
SPACED = "* { line-height: 1.5 !important; letter-spacing: 0.12em !important; word-spacing: 0.16em !important }"
LONG = "Strange, but as long as any: " + "hold the head in line with the body by hand, " * 2 + "call the clinician now."


@pytest.mark.parametrize("width", [320, 360, 768])
def test_the_answer_in_short_is_never_cut_and_hides_no_field(browser: Browser, live: LiveService, width: int) -> None:
    with opened(browser, f"{live.url}/bedside", viewport={"width": width, "height": 900}) as page:
        page.locator("summary", has_text="Dangers").last.click()
        with answered(page):
            page.check("[name=airway_threat][value=true]", force=True)
        page.evaluate("text => { document.querySelector('.stopping').textContent = text }", LONG)
        for spaced in (False, True):
            if spaced:
                page.evaluate(
                    "css => { const sheet = new CSSStyleSheet(); sheet.replaceSync(css); document.adoptedStyleSheets = [sheet] }",
                    SPACED,
                )
            box, text = page.evaluate(
                "['.short', '.short span'].map(name => document.querySelector(name).getBoundingClientRect().toJSON())"
            )
            assert box["top"] <= text["top"] and text["bottom"] <= box["bottom"], spaced
            assert page.evaluate("getComputedStyle(document.querySelector('.short span')).webkitLineClamp") == "none"
            if not spaced:
                # Tabbing back, the entry comes to rest below the line that stays on top.
                page.locator("button.main").focus()
                # Not by the wheel: what it scrolls may come after the keys.
                page.evaluate("scrollBy({ top: 2000, behavior: 'instant' })")
                for _ in range(3):
                    page.keyboard.press("Shift+Tab")
                entry = page.evaluate("document.activeElement.getBoundingClientRect().top")
                assert entry >= page.evaluate("document.querySelector('.short').getBoundingClientRect().bottom")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_has_the_focus_in_the_red_bar_is_seen(browser: Browser, live: LiveService, scheme: Any) -> None:
    """WCAG 2.2, 1.4.11: at least 3:1 between the ring and what lies beside it; luminance as defined there."""
    with opened(browser, f"{live.url}/bedside", color_scheme=scheme) as page:
        page.locator("summary", has_text="Dangers").last.click()
        with answered(page):
            page.check("[name=airway_threat][value=true]", force=True)
        page.locator(".stop summary").first.focus()
        page.keyboard.press("Shift+Tab")
        page.keyboard.press("Tab")
        ring, beside = page.evaluate(
            "[getComputedStyle(document.activeElement).outlineColor,"
            " getComputedStyle(document.activeElement.closest('.stop')).backgroundColor]"
        )
        lighter, darker = sorted((_luminance(ring), _luminance(beside)), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 3


def _luminance(colour: str) -> float:
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_without_javascript_nothing_is_offered_that_needs_it_and_the_page_says_so(
    browser: Browser, live: LiveService
) -> None:
    with opened(browser, f"{live.url}/bedside#d=AAAA", java_script_enabled=False) as page:
        # A server is sent no fragment: only the page can tell why a card's link opened nothing.
        assert "opened from a card or a chart, this page stays empty" in page.locator("main").inner_text()
    with opened(browser, f"{live.url}/try", java_script_enabled=False) as page:
        page.locator("summary", has_text="curl").click()
        assert page.locator("[data-copy]").count() > 0
        assert not any(one.is_visible() for one in page.locator("[data-copy]").all())
    with opened(browser, f"{live.url}/try") as page:
        page.locator("summary", has_text="curl").click()
        assert page.locator("[data-copy]").first.is_visible()
    with opened(browser, f"{live.url}/bedside") as page:
        assert "JavaScript is off" not in page.locator("main").inner_text()


def test_without_javascript_the_form_is_posted(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside", java_script_enabled=False) as page:
        for name, value in PATIENT.items():
            page.locator(f'input[name="{name}"]').fill(value)
        page.locator("button.main").click()
        assert page.locator("[data-part=code]").inner_text() == "adult H3 G2"
        assert page.locator('input[name="age_years"]').input_value() == "43"
        assert page.url == f"{live.url}/bedside"


def test_nothing_of_the_patient_is_in_an_address_a_store_or_the_log(browser: Browser, live: LiveService) -> None:
    secret = {"weight_kg": "87.654321", "neck_height_mm": "66.123456"}
    with opened(browser, f"{live.url}/bedside") as page:
        sent: list[Any] = []
        page.on("request", lambda request: sent.append(request))
        page.locator("summary", has_text="Build, and what").click()
        type_in(page, secret)
        page.locator("button.main").click()
        page.locator("[data-part=size]").wait_for()
        told = [
            page.url,
            *(request.url for request in sent),
            *(str(request.headers.get("referer")) for request in sent),
        ]
        told.append(page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}, document.cookie])"))
        assert len(sent) >= 3
    assert live.has_said('"/bedside/answer"') and live.has_said('"/bedside"')
    for value in secret.values():
        assert value not in "\n".join(told) and value not in "".join(live.said)


def test_the_link_of_a_card_opens_its_decision_and_leaves_the_address(browser: Browser, live: LiveService) -> None:
    call = order_select(*MEASURED, observation("collar-in-place", True))
    answer = httpx.post(f"{live.url}/cds-services/collar-order-select", json=call, timeout=PATIENCE_SECONDS).json()
    (carried,) = {link["url"].partition("#")[2] for card in answer["cards"] for link in card["links"]}
    decision = answer["extension"]["org.example.nuque.decision"]
    with opened(browser, f"{live.url}/bedside#{carried}", viewport={"width": 360, "height": 900}) as page:
        page.locator("[data-part=opened]").wait_for()
        assert decision["ruleset"]["hash"][:12] in page.locator("[data-part=opened]").inner_text()
        assert page.locator("[data-part=code]").inner_text() == decision["size_class"]["code"]
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        seen = [page.url, page.evaluate("document.referrer")]
        page.go_back()
        seen.append(page.url)
        assert page.locator("[data-part=opened]").count() == 0
    assert all(carried not in address and "#" not in address for address in seen)
    assert live.has_said('"/bedside/link"') and carried[2:] not in "".join(live.said)


def test_without_javascript_a_link_opens_an_empty_form(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside#d=AAAA", java_script_enabled=False) as page:
        assert page.locator("h1").inner_text() == "Collar at the bedside"
        assert page.locator("[data-part=opened]").count() == 0


def test_on_paper_the_answer_stands_alone(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        type_in(page, PATIENT)
        page.emulate_media(media="print")
        assert page.locator("[data-part=size]").is_visible()
        assert not page.locator("input[name=age_years]").is_visible()
        # How a task is done is printed; why, only if it was unfolded: it would be three quarters of the paper.
        assert page.locator(".tasks details p").first.is_visible()
        assert page.locator(".why p").count() > 20 and not page.locator(".why p").first.is_visible()
        assert len(re.findall(rb"/Type /Page\b", page.pdf(format="A4"))) <= 5


def _printed(page: Page, button: str) -> Page:
    """The paper that ``button`` gives, in a tab of its own."""
    with page.expect_popup() as opening:
        page.click(f"button:has-text('{button}')")
    opening.value.wait_for_url("**/print/**")
    return opening.value


@pytest.mark.parametrize("scripts", [True, False])
def test_after_a_paper_and_a_fit_check_the_bedside_page_stands_as_it_was(
    browser: Browser, live: LiveService, scripts: bool
) -> None:
    """Plan, staff sheet and a fit check of one patient: nobody types everything again for each."""
    with opened(browser, f"{live.url}/bedside", java_script_enabled=scripts) as page:
        for name, value in PATIENT.items():
            page.fill(f"[name={name}]", value)
        if scripts:
            page.locator("[data-part=code]:has-text('adult H3 G2')").wait_for()
        else:
            page.click("button.main")
        for button in ("Print the plan", "Staff sheet"):
            paper = _printed(page, button)
            assert "height 60 to under 75 mm" in paper.locator("[data-part=size]").inner_text()
            paper.close()
        with page.expect_popup() as opening:
            page.click("text=Check a fit")
        expect(opening.value.locator("h1")).to_have_text("Fit check")
        assert {name: page.locator(f"input[name={name}]").input_value() for name in PATIENT} == PATIENT
        assert page.locator("[data-part=code]").inner_text() == "adult H3 G2"


def _texts_of_the_pages(pdf: bytes) -> list[list[bytes]]:
    """The runs of glyphs that each page of ``pdf`` shows, four digits a glyph (ISO 32000-1, 9.4.3: what stands before Tj)."""
    packed = re.findall(rb"stream\r?\n(x.*?)endstream", pdf, re.DOTALL)
    plain = [zlib.decompressobj().decompress(one) for one in packed]
    return [re.findall(rb"<([0-9A-F]+)> Tj", one) for one in plain if re.search(rb"\bBT\b", one)]


@pytest.mark.parametrize("button", ["", "Staff sheet", "Leaflet, English"])
def test_every_sheet_of_a_print_bears_moment_rules_and_its_number(
    browser: Browser, live: LiveService, button: str
) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        type_in(page, PATIENT)
        page.locator("details.group").evaluate_all("all => all.forEach(one => { one.open = true })")
        for name in (*MUCH, "collar_in_place"):
            with answered(page):
                page.locator(f'input[name="{name}"][value="true"]').check()
        paper = _printed(page, button) if button else page
        for size in ("A4", "Letter"):
            pdf = paper.pdf(format=size)
            sheets = len(re.findall(rb"/Type /Page\b", pdf))
            shown = _texts_of_the_pages(pdf)
            assert sheets == len(shown) > 1
            long = [{run for run in runs if len(run) >= 80} for runs in shown]
            assert set.intersection(*long), "no long line stands on every sheet"
            # "1 / 3" is drawn first on the first sheet: five glyphs, of which the first alone differs on the others.
            first = re.findall(b"....", b"".join(shown[0]))[:5]
            after = b"(....)" + b"".join(first[1:])
            numbers = [match[1] for runs in shown if (match := re.search(after, b"".join(runs)))]
            assert len(set(numbers)) == sheets and (numbers[0], numbers[-1]) == (first[0], first[4])


@pytest.mark.parametrize("language", ["English", "Spanish"])
def test_no_sheet_of_a_leaflet_holds_its_foot_alone(browser: Browser, live: LiveService, language: str) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        type_in(page, PATIENT)
        page.locator("details.group").evaluate_all("all => all.forEach(one => { one.open = true })")
        for name in ("discharge_planned", "collar_in_place"):
            with answered(page):
                page.locator(f'input[name="{name}"][value="true"]').check()
        leaflet = _printed(page, f"Leaflet, {language}")
        # Notice and foot are four lines at the most, and the number of the sheet; a section is a heading and some more.
        for height in range(220, 300, 10):
            last = _texts_of_the_pages(leaflet.pdf(width="210mm", height=f"{height}mm"))[-1]
            assert len(last) > 6, height


def test_room_to_sign_is_on_paper_and_not_on_a_phone(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside", viewport={"width": 360, "height": 900}) as page:
        type_in(page, PATIENT)
        paper = _printed(page, "Staff sheet")
        room, when = paper.locator(".signed td:nth-child(3)").first, paper.locator(".signed td:nth-child(2)").first
        assert not room.is_visible()
        box = when.bounding_box()
        assert box is not None and box["width"] > 360 / 4
        assert violations(paper) == []
        paper.emulate_media(media="print")
        assert room.is_visible()


def test_no_record_of_the_patient_is_named_on_paper(browser: Browser, live: LiveService) -> None:
    call = order_select(*MEASURED, observation("neck-height", 900, number=7))
    answer = httpx.post(f"{live.url}/cds-services/collar-order-select", json=call, timeout=PATIENCE_SECONDS).json()
    (carried,) = {link["url"].partition("#")[2] for card in answer["cards"] for link in card["links"]}
    with opened(browser, f"{live.url}/bedside#{carried}") as page:
        page.locator("[data-part=opened]").wait_for()
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
        named = re.compile(r"(Observation|Patient)/")
        assert len(named.findall(page.inner_text("#answer"))) > 3
        page.emulate_media(media="print")
        assert named.findall(page.inner_text("#answer")) == []
        assert page.locator(".whose").is_visible()


MUCH = (
    "spine_precautions",
    "tracheostomy",
    "raised_intracranial_pressure_risk",
    "neck_line",
    "cannot_lie_flat",
    "discharge_planned",
)
"""Yes to these asks for about as many tasks as one patient has."""


SPARE_MM = 15
"""Left empty at the foot of a sheet, for the plan of another hour and another patient and for other fonts."""


@pytest.mark.parametrize(("width_mm", "height_mm"), [(210, 297), (216, 279)], ids=["A4", "Letter"])
def test_the_plan_of_a_patient_with_many_tasks_is_one_page(
    browser: Browser, live: LiveService, width_mm: int, height_mm: int
) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        type_in(page, PATIENT)
        with answered(page):
            page.select_option("[name=setting]", "ward")
        page.locator("details.group").evaluate_all("all => all.forEach(one => { one.open = true })")
        for name in (*MUCH, "collar_in_place"):
            with answered(page):
                page.locator(f'input[name="{name}"][value="true"]').check()
        paper = _printed(page, "Print the plan")
        assert paper.locator("[data-part=task]").count() > 20
        assert violations(paper) == []
        pdf = paper.pdf(width=f"{width_mm}mm", height=f"{height_mm - SPARE_MM}mm")
        assert len(re.findall(rb"/Type /Page\b", pdf)) == 1


@pytest.mark.parametrize(
    ("status", "words"), [(None, "No answer from the service."), (503, "No answer"), (403, "Your sign-in has ended:")]
)
def test_where_the_service_is_gone_or_the_sign_in_ended_the_page_says_so(
    browser: Browser, live: LiveService, status: int | None, words: str
) -> None:
    # Calls of a page that has a worker do not pass the browser's routing.
    with browser.new_context(service_workers="block") as context:
        page = context.new_page()
        page.goto(f"{live.url}/bedside")
        page.route("**/bedside/answer", lambda route: route.fulfill(status=status) if status else route.abort())
        page.locator('input[name="age_years"]').fill("43")
        page.locator("#lost").wait_for()
        said = page.locator("#lost").inner_text()
        assert said.startswith(words) and said.endswith("What stands below belongs to earlier entries.")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_without_a_network_the_last_answer_stays_to_be_read(
    browser: Browser, live: LiveService, scheme: Any, tmp_path: Path
) -> None:
    with opened(browser, f"{live.url}/bedside", viewport={"width": 360, "height": 900}, color_scheme=scheme) as page:
        type_in(page, PATIENT)
        page.context.set_offline(True)
        expect(page.locator("#offline")).to_be_visible()
        page.screenshot(path=tmp_path / "offline.png")
        assert violations(page) == []
        for way in ("header a >> nth=1", "text=Clear everything"):
            page.locator(way).click()
        assert page.url == f"{live.url}/bedside"
        assert page.locator("[data-part=code]").inner_text() == "adult H3 G2"
        assert page.locator("#facts :enabled").count() == 0 and page.locator("#facts :disabled").count() > 50
        stored = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}])")
        assert page.evaluate("caches.keys()") == [] and "381" not in stored and "H3" not in stored
        page.context.set_offline(False)
        expect(page.locator("#offline")).to_be_hidden()
        type_in(page, {"neck_height_mm": "82"})
        assert page.locator("[data-part=code]").inner_text() == "adult H4 G2"


def test_a_reload_without_the_service_shows_the_last_answer_to_be_read(browser: Browser) -> None:
    with browser.new_context(viewport={"width": 360, "height": 900}) as context:
        page = context.new_page()
        with running() as service:
            page.goto(f"{service.url}/bedside")
            _kept_by_worker(page)
            type_in(page, PATIENT)
        shown = page.reload()
        # As a page that came from the service: nothing that stands in it runs.
        assert shown is not None and shown.headers["content-security-policy"] == POLICY
        expect(page.locator("#offline")).to_contain_text("No network: read only")
        expect(page.locator("#kept")).to_contain_text("Kept from")
        assert page.locator("[data-part=code]").inner_text() == "adult H3 G2"
        assert {name: page.locator(f"input[name={name}]").input_value() for name in PATIENT} == PATIENT
        assert page.locator("#facts :enabled").count() == 0
        assert page.evaluate("getComputedStyle(document.querySelector('#offline')).position") == "sticky"
        assert violations(page) == []
        stored = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}])")
        assert page.evaluate("caches.keys()") == [] and "381" not in stored and "H3" not in stored
        with running("--port", service.url.rpartition(":")[2]):
            expect(page.locator("#offline")).to_be_hidden(timeout=PATIENCE_SECONDS * 1000)
            type_in(page, {"neck_height_mm": "82"})
            assert page.locator("[data-part=code]").inner_text() == "adult H4 G2"
            page.reload()
            expect(page.locator("#offline")).to_be_hidden()
            assert page.locator("input[name=neck_height_mm]").input_value() == ""


def test_a_decision_opened_from_a_card_stands_a_reload_without_a_network(browser: Browser, live: LiveService) -> None:
    call = order_select(*MEASURED, observation("collar-in-place", True))
    answer = httpx.post(f"{live.url}/cds-services/collar-order-select", json=call, timeout=PATIENCE_SECONDS).json()
    (carried,) = {link["url"].partition("#")[2] for card in answer["cards"] for link in card["links"]}
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"{live.url}/bedside#{carried}")
        page.locator("[data-part=opened]").wait_for()
        _kept_by_worker(page)
        said = page.locator("[data-part=opened]").inner_text()
        page.reload()
        assert page.locator("[data-part=opened]").inner_text() == said
        _kept_by_worker(page)
        context.set_offline(True)
        expect(page.locator("#offline")).to_be_visible()
        page.reload()
        expect(page.locator("#offline")).to_contain_text("No network: read only")
        assert page.locator("[data-part=opened]").inner_text() == said
        assert page.url == f"{live.url}/bedside"


def test_once_the_page_is_closed_nothing_of_it_is_left(browser: Browser, live: LiveService) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"{live.url}/bedside")
        _kept_by_worker(page)
        type_in(page, PATIENT)
        page.goto(f"{live.url}/rules/parameters")
        worker = context.service_workers[0]
        _until(lambda: worker.evaluate("kept === null"), page, "the worker keeps what nobody has open")
        context.set_offline(True)
        page.goto(f"{live.url}/bedside")
        assert page.locator("h1").inner_text() == "No network"
        assert "381" not in page.content() and "H3" not in page.content()


def _kept_by_worker(page: Page) -> None:
    """Once the worker has the page."""
    _until(
        lambda: page.evaluate("navigator.serviceWorker.controller !== null"), page, "no worker took charge of the page"
    )


def _until(is_so: Callable[[], bool], page: Page, otherwise: str) -> None:
    """Asked again and again, since an event that was missed would be waited for without an end."""
    until = time.monotonic() + 120
    while not is_so():
        assert time.monotonic() < until, otherwise
        page.wait_for_timeout(100)


def test_the_page_weighs_less_than_150_kb_with_all_that_it_loads(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/bedside") as page:
        page.wait_for_load_state("networkidle")
        weights = page.evaluate("performance.getEntries().filter(one => one.transferSize).map(one => one.transferSize)")
        assert len(weights) >= 4 and sum(weights) < 150_000


def test_every_field_of_the_map_is_named_on_screen_and_on_paper(browser: Browser, live: LiveService) -> None:
    with opened(browser, f"{live.url}/rules/map") as page:
        for media in ("screen", "print"):
            page.emulate_media(media=media)  # type: ignore[arg-type]
            labels = page.locator(".map .label")
            assert labels.count() > 20
            assert all(one.is_visible() for one in labels.all()), media


@pytest.mark.parametrize(
    ("path", "part", "number"),
    [("/rules", "rule", 800), ("/rules/parameters", "parameter", 200), ("/rules/map", "field", 20)],
)
def test_rules_numbers_and_map_are_printed_whole(
    browser: Browser, live: LiveService, path: str, part: str, number: int
) -> None:
    """The orthotist signs the numbers, not their headings."""
    with opened(browser, live.url + path) as page:
        shown = f"[...document.querySelectorAll('[data-part={part}]')].filter(one => one.checkVisibility()).length"
        assert page.evaluate(shown) == 0
        page.emulate_media(media="print")
        assert page.evaluate(shown) == page.locator(f"[data-part={part}]").count() > number
        if part == "field":
            split = (
                "[...document.querySelectorAll('figure')].every(one => getComputedStyle(one).breakInside === 'avoid')"
                " && [...document.querySelectorAll('.grey')].every(one => getComputedStyle(one).fill === 'none')"
            )
            assert page.evaluate(split)
