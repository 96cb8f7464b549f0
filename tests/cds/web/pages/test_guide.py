"""The guide: every page of docs/ is there, links lead somewhere, nothing comes from elsewhere, and anybody can read it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote, urldefrag, urljoin

import pytest
from axe_playwright_python.sync_playwright import Axe
from fastapi.testclient import TestClient
from playwright.sync_api import Browser

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.pages import rendering
from tests.cds.live_service import serving
from tests.cds.web.pages.page_reader import PageReader

ROOT = Path(__file__).resolve().parents[4]
DOCS = ROOT / "docs"
WRITTEN = sorted([*DOCS.glob("*.md"), *(DOCS / "deploy").glob("*.md")])
NAMES = [path.relative_to(DOCS).with_suffix(".html").as_posix() for path in WRITTEN]
OF_THE_SERVICE = {"/bedside", "/fit", "/rules"}
"""Links from the guide to the pages that it is served beside."""
STYLES = "cds/web/pages/static"


def _build(docs: Path, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(docs / "guide" / "build.py"), str(folder)]
    return subprocess.run(command, capture_output=True, text=True)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Built anew, and served in place of what make may have left in the checkout."""
    folder = tmp_path_factory.mktemp("guide") / "pages"
    made = _build(DOCS, folder)
    assert made.returncode == 0, made.stderr
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rendering, "GUIDE", folder)
        yield folder


def _pages(built: Path) -> dict[str, str]:
    return {path.relative_to(built).as_posix(): path.read_text() for path in built.rglob("*.html")}


# --- as it is built -----------------------------------------------------------------------------------------------------


def test_every_page_of_docs_is_there_under_its_own_heading(built: Path) -> None:
    pages = _pages(built)
    assert set(pages) == {*NAMES, "search.html"}
    assert "clinicians.html" in pages and "deploy/README.html" in pages
    for name, path in zip(NAMES, WRITTEN, strict=True):
        (heading,) = re.findall(r"<h1>(.*?)</h1>", pages[name])
        assert heading == path.read_text().splitlines()[0].removeprefix("# "), name


def test_every_page_lists_all_of_them(built: Path) -> None:
    pages = _pages(built)
    assert pages
    for name, text in pages.items():
        # The first page is the list itself.
        menu = text[text.index("<main" if name == "index.html" else '<nav id="pages"') :]
        assert ('id="pages"' in text) == (name != "index.html")
        # A page names itself by "#".
        listed = {urljoin(name, link) for link in re.findall(r'href="([^"]+)"', menu)}
        assert {urldefrag(link).url for link in listed} | {"index.html"} >= set(NAMES), name


def test_every_link_leads_to_a_place_that_is_there(built: Path) -> None:
    pages = _pages(built)
    ids = {name: {given.get("id") for _, given in PageReader(text).tags} for name, text in pages.items()}
    followed = 0
    for name, text in pages.items():
        for tag, given in PageReader(text).tags:
            for attribute in ("href", "src", "action"):
                link = given.get(attribute)
                if not link or link in OF_THE_SERVICE or (tag == "a" and re.match("https?://", link)):
                    continue
                path, place = urldefrag(unquote(urljoin(name, link)))
                assert (built / path).is_file(), (name, link)
                assert not place or place in ids[path], (name, link)
                followed += 1
    assert followed > 20 * len(NAMES)


def test_from_the_guide_to_the_service_and_back(client: TestClient, built: Path) -> None:
    pages = _pages(built)
    assert pages
    for name, text in pages.items():
        leading = {given.get("href") for tag, given in PageReader(text).tags if tag == "a"}
        assert leading >= OF_THE_SERVICE, name
    for address in OF_THE_SERVICE:
        answer = client.get(address, headers={"Accept": "text/html"})
        assert answer.status_code == 200 and ("a", {"href": "/docs/guide/"}) in PageReader(answer.text).tags


def test_a_table_of_words_says_in_each_cell_what_its_column_is(built: Path) -> None:
    """On a phone its cells stand one below the other, without the row of headings."""
    labels = {
        name: [given["data-label"] for tag, given in PageReader(text).tags if tag == "td" and "data-label" in given]
        for name, text in _pages(built).items()
    }
    assert labels["hazards.html"][:7] == ["no.", "hazard", "cause", "effect", "severity", "control", "evidence"]
    assert {"variable", "default", "meaning"} <= set(labels["settings.html"])
    tables = _pages(built)["hazards.html"]
    assert tables.count('class="wide told"') > 1


def test_a_long_table_is_folded(built: Path) -> None:
    text = _pages(built)["evidence.html"]
    folded = [int(rows) for rows in re.findall(r"<details><summary>(\d+) rows</summary>", text)]
    assert len(folded) > 5 and min(folded) > 40
    assert "rows</summary>" not in _pages(built)["index.html"]


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("name", ["hazards.html", "settings.html", "evidence.html", "index.html"])
def test_on_a_phone_nothing_has_to_be_moved_sideways_to_be_read(browser: Browser, address: str, name: str) -> None:
    with browser.new_context(viewport={"width": 360, "height": 900}) as context:
        page = context.new_page()
        page.goto(address + name)
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
        wide = "[...document.querySelectorAll('.told')].filter(one => one.scrollWidth > one.clientWidth).length"
        assert page.evaluate(wide) == 0
        assert page.locator(".told thead").evaluate_all("all => all.every(one => !one.checkVisibility())")
        low = (
            "[...document.querySelectorAll('main li a')].filter(one => one.getBoundingClientRect().height < 24).length"
        )
        assert name != "index.html" or page.evaluate(low) == 0


def test_nothing_is_written_into_a_page_that_its_policy_forbids(built: Path) -> None:
    pages = _pages(built)
    assert pages
    for name, text in pages.items():
        for tag, given in PageReader(text).tags:
            assert "style" not in given and not any(attribute.startswith("on") for attribute in given), (name, given)
            assert tag != "style" and not (tag == "script" and "src" not in given), (name, given)


def test_the_generators_scripts_come_with_their_licence(built: Path) -> None:
    assert "Redistributions of source code must retain" in (built / "_static" / "search.LICENSE.txt").read_text()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("page", "words"),
    [
        ("# A page\n\nIn no list.\n", "document isn't included in any toctree"),
        ("# A page\n\n[gone](nowhere.md)\n", "nowhere.md"),
        ("# A page\n\n[gone](settings.md#nowhere)\n", "nowhere"),
    ],
)
def test_a_page_in_no_list_or_a_link_to_nowhere_stops_the_build(tmp_path: Path, page: str, words: str) -> None:
    shutil.copytree(DOCS, tmp_path / "docs")
    shutil.copytree(ROOT / STYLES, tmp_path / STYLES)
    (tmp_path / "docs" / "new.md").write_text(page)
    if "gone" in page:
        with (tmp_path / "docs" / "index.md").open("a") as index:
            index.write("- [New](new.md)\n")
    made = _build(tmp_path / "docs", tmp_path / "out")
    assert made.returncode != 0 and words in made.stderr
    assert not (tmp_path / "out").exists()


# --- as it is served ----------------------------------------------------------------------------------------------------


def test_every_file_is_served_under_the_policy_of_pages(client: TestClient, built: Path) -> None:
    files = [path for path in built.rglob("*") if path.is_file()]
    assert len(files) > len(NAMES)
    for path in files:
        answer = client.get(f"/docs/guide/{path.relative_to(built).as_posix()}")
        assert answer.status_code == 200 and answer.content == path.read_bytes()
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
    assert client.get("/docs/guide/clinicians.html").headers["content-type"] == "text/html; charset=utf-8"


def test_the_address_without_a_slash_leads_to_the_first_page(client: TestClient, built: Path) -> None:
    answer = client.get("/docs/guide")
    assert answer.url.path == "/docs/guide/" and answer.content == (built / "index.html").read_bytes()
    assert client.get("/docs").status_code == 200


@pytest.mark.parametrize(
    "name", ["nothing.html", "../guide.py", "%2e%2e/guide.py", "..%2fguide.py", "deploy", "_static/"]
)
def test_nothing_else_is_served(client: TestClient, built: Path, name: str) -> None:
    assert client.get(f"/docs/guide/{name}").status_code == 404


def test_every_page_of_the_service_leads_to_the_guide(built: Path) -> None:
    with TestClient(create_app(Settings())) as client:
        for address in ("/bedside", "/fit", "/rules"):
            assert '<a href="/docs/guide/">Guide</a>' in client.get(address, headers={"Accept": "text/html"}).text
            assert client.get("/docs/guide/").status_code == 200


def test_no_page_leads_to_a_guide_that_is_not_built(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rendering, "GUIDE", tmp_path / "none")
    with TestClient(create_app(Settings())) as client:
        assert "/docs/guide/" not in client.get("/bedside").text


def test_where_it_is_not_built_the_answer_says_how(
    client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rendering, "GUIDE", tmp_path / "none")
    answer = client.get("/docs/guide/")
    assert answer.status_code == 404 and "make guide" in answer.text


# --- as it is read ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def address(store_url: str, built: Path) -> Iterator[str]:
    with serving(create_app(Settings())) as url:
        yield f"{url}/docs/guide/"


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("name", [*NAMES, "search.html"])
def test_nobody_is_shut_out_and_nothing_is_asked_elsewhere(browser: Browser, address: str, name: str) -> None:
    with browser.new_context(color_scheme="light") as context:
        page = context.new_page()
        asked: list[str] = []
        said: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.goto(address + name)
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
        # One style sheet serves all: narrow, each page is looked at in full; wide and dark, for its contrasts.
        for width, scheme, only in ((360, "light", None), (1440, "dark", {"runOnly": ["color-contrast"]})):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            found = Axe().run(page, options=only).response["violations"]
            assert [(one["id"], node["target"]) for one in found for node in one["nodes"]] == [], width
        assert len(asked) > 2 and [url for url in asked if not url.startswith(address)] == []
        assert said == []


@pytest.mark.browser
@pytest.mark.slow
def test_the_search_finds_a_page_by_keyboard_and_keeps_no_word(browser: Browser, address: str) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.goto(f"{address}search.html")
        page.get_by_label("Words that a page holds").focus()
        page.keyboard.type("NUQUE_PAGE_USER_HEADER")
        page.keyboard.press("Enter")
        excerpts = page.locator("#search-results .context")
        excerpts.first.wait_for()
        assert not any("On this page" in one for one in excerpts.all_inner_texts())
        page.locator("#search-results a", has_text="Settings").first.click()
        assert page.url.startswith(f"{address}settings.html")
        assert page.evaluate("localStorage.length + sessionStorage.length") == 0
        assert said == []


@pytest.mark.browser
@pytest.mark.slow
def test_without_javascript_the_search_says_so_and_every_page_can_be_reached(browser: Browser, address: str) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{address}search.html")
        assert "needs JavaScript" in page.locator("main").inner_text()
        page.get_by_role("link", name="Hazards").click()
        assert page.url == f"{address}hazards.html"
