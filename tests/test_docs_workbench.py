"""docs/replay.md and docs/downtime.md: every option and column named there exists, and the commands work as written."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from cds.cli import main
from tests.cds.cohorts.exports import demo_bundles, write_export

DOCS = Path(__file__).parents[1] / "docs"


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
    done = CliRunner().invoke(main, command("downtime.md"), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    assert "content" in (tmp_path / "sheet.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("page", ["replay.md", "downtime.md"])
def test_every_option_named_on_the_page_exists(page):
    words = command(page)
    shown = CliRunner().invoke(main, [*words[:2], "-h"]).output
    text = re.sub(r"^(pip|carebundle|clinosim) .*$", "", (DOCS / page).read_text(encoding="utf-8"), flags=re.MULTILINE)
    for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", text):
        assert option in shown or option == "--py-files", option
