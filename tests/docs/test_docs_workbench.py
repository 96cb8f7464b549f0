"""docs/workbench.md, replay.md and downtime.md: options and columns named there exist, commands work as written."""

from __future__ import annotations

import json
import re
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from cds.cli import main
from tests.cds.cohorts.exports import demo_bundles, write_export

DOCS = Path(__file__).parents[2] / "docs"


def command(page: str, *, number: int = 0) -> list[str]:
    line = re.findall(r"```bash\nnuque (.+)\n```", (DOCS / page).read_text(encoding="utf-8"))[number]
    return str(line).split()


def test_the_replay_runs_as_written_and_gives_the_files_and_columns_of_the_page(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_export(tmp_path / "EXPORT", (entry["resource"] for bundle in demo_bundles() for entry in bundle["entry"]))
    done = CliRunner().invoke(main, command("replay.md"), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    page = (DOCS / "replay.md").read_text(encoding="utf-8")
    for name in ("summary.txt", "summary.json", "summary.html", "decisions", "counts", "replay.json"):
        assert f"`{name}" in page
        assert (tmp_path / "RESULT" / name).exists(), name
    found = {column.split(":")[0] for column in pl.read_parquet(tmp_path / "RESULT" / "decisions").columns}
    table = page.split("| columns of a decision | hold |")[1].split("\n\n")[0]
    named = {name.split(":")[0] for name in re.findall(r"`([a-z_]+[:`])", table) for name in [name.rstrip("`")]}
    assert found == named


def test_the_sheet_is_printed_as_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "catalogue.yaml").symlink_to(DOCS.parent / "demo_bundles" / "catalogue.yaml")
    done = CliRunner().invoke(main, command("downtime.md"), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    assert "content" in (tmp_path / "sheet.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("page", ["replay.md", "downtime.md"])
def test_every_option_named_on_the_page_exists(page):
    words = command(page)
    shown = CliRunner().invoke(main, [*words[:2], "-h"]).output
    text = re.sub(r"^(pip|carebundle|clinosim) .*$", "", (DOCS / page).read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert words[0] in text
    for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", text):
        assert option in shown or option == "--py-files", option


PAGE = (DOCS / "workbench.md").read_text(encoding="utf-8")
REPORTS = re.findall(r"^\| `nuque (rules [^`]+)` \| .* \| (.*) \|$", PAGE, re.MULTILINE)


def test_every_report_of_the_workbench_is_on_its_page():
    shown = set(re.findall(r"^  (\w+)  ", CliRunner().invoke(main, ["rules", "-h"]).output, re.MULTILINE))
    # The register of evidence is one page of Markdown, docs/evidence.md; the replay writes its forms into its folder.
    assert {command.split()[1] for command, _ in REPORTS} == shown - {"evidence", "replay"}


@pytest.mark.slow
@pytest.mark.parametrize(("command", "pictures"), REPORTS)
def test_every_report_is_json_and_one_page_of_its_own(command, pictures, tmp_path):
    done = CliRunner().invoke(main, [*command.split(), "--json", "--html", str(tmp_path / "page.html")])
    assert done.exit_code in (0, 1), done.output
    data = json.loads(done.stdout)
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert data["title"] in page and data["about"][:30] in page
    assert not re.search(r"<(script|link|img|iframe)|\b(src|href)\s*=|url\(|@import", page)
    assert ("<svg" in page) != pictures.startswith("none")


@pytest.mark.slow
def test_the_python_example_runs_as_written(tmp_path, monkeypatch, capsys):
    (code,) = re.findall(r"```python\n(.+?)```", PAGE, re.DOTALL)
    demo = DOCS.parent / "demo_bundles"
    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo_bundles").symlink_to(demo)
    write_export(tmp_path / "EXPORT", (entry["resource"] for bundle in demo_bundles() for entry in bundle["entry"]))
    exec(compile(code, "workbench.md", "exec"), {})
    said = capsys.readouterr().out
    pages = {path.stem: path.read_text(encoding="utf-8") for path in tmp_path.glob("*.html")}
    assert len(pages) == 8
    assert all(title in said and title in page for title, page in pages.items())
    assert re.search(r"\b(\d+) of \1 properties proved", said) and "No sized collar if" in said
