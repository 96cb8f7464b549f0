"""What a site fills in becomes its code map; every wrong line is named, and then nothing is written."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cds.cli import main
from cds.fhir.reading.code_map import CodingKey
from cds.fhir.reading.code_map_loader import load_code_map
from cds.site.code_worksheet import HEADS, worksheet, write
from tests.shipped_content import RULESET

OURS = "https://records.example.org/codes"


def filled(path: Path, entries: dict[str, dict[str, str]], delimiter: str = ",", encoding: str = "utf-8") -> Path:
    """The shipped worksheet, with the columns of ``entries`` written on the first line of each name."""
    with path.open("w", newline="", encoding="utf-8") as file:
        write(worksheet(RULESET, load_code_map(RULESET)), file)
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for name, columns in entries.items():
        next(row for row in rows if row["name"] == name).update(columns)
    with path.open("w", newline="", encoding=encoding) as file:
        out = csv.DictWriter(file, HEADS, delimiter=delimiter)
        out.writeheader()
        out.writerows(rows)
    return path


def yours(code: str, system: str = OURS, **more: str) -> dict[str, str]:
    return {"your system": system, "your code": code, **more}


def read(sheet: Path) -> tuple[Result, Path]:
    out = sheet.with_suffix(".yaml")
    return CliRunner().invoke(main, ["codes", "read", str(sheet), "-o", str(out)]), out


ENTRIES = {
    "neck_circumference_mm": yours("GIRTH", **{"your display": "Girth; neck, «measured»"}),
    "tracheostomy": yours("TRACHY", says="True"),
    "collar order": yours("COLLAR", "https://orders.example.org", says="extrication"),
}


@pytest.mark.parametrize(("delimiter", "encoding"), [(",", "utf-8"), (";", "utf-8-sig")])
def test_what_is_filled_in_is_read(delimiter: str, encoding: str, tmp_path: Path) -> None:
    ran, out = read(filled(tmp_path / "sheet.csv", ENTRIES, delimiter, encoding))
    assert ran.exit_code == 0, ran.output
    assert "3 codes of yours written" in ran.output
    assert "have no code but ours" in ran.stderr
    code_map = load_code_map(RULESET, [out])
    (girth,) = code_map.exact[CodingKey(OURS, "GIRTH")]
    assert (girth.fact, girth.value, girth.local) == ("neck_circumference_mm", None, True)
    assert girth.display == "Girth; neck, «measured»"
    (stoma,) = code_map.exact[CodingKey(OURS, "TRACHY")]
    assert (stoma.fact, stoma.value) == ("tracheostomy", True)
    assert code_map.collars[CodingKey("https://orders.example.org", "COLLAR")].kind == "extrication"


def test_what_stands_in_the_file_comes_back_in_the_next_worksheet(tmp_path: Path) -> None:
    _, out = read(filled(tmp_path / "sheet.csv", ENTRIES))
    again = worksheet(RULESET, load_code_map(RULESET, [out]))
    assert {row.code for row in again if row.status == "yours"} == {"GIRTH", "TRACHY", "COLLAR"}


def test_an_empty_worksheet_is_a_code_map_without_entries(tmp_path: Path) -> None:
    ran, out = read(filled(tmp_path / "sheet.csv", {}))
    assert ran.exit_code == 0, ran.output
    assert "0 codes of yours" in ran.output
    assert load_code_map(RULESET, [out]).exact == load_code_map(RULESET).exact


WRONG = [
    ({"tracheostomy": {"your system": OURS}}, "your code is empty"),
    ({"tracheostomy": {"your code": "T"}}, "your system is empty"),
    ({"tracheostomy": {"your display": "T"}}, "your display stands alone"),
    ({"tracheostomy": yours("T", "house")}, "your system 'house' is not a URI"),
    ({"tracheostomy": yours("T", says="perhaps")}, "tracheostomy says 'perhaps'"),
    ({"tracheostomy": yours("T", name="tracheotomy")}, "no fact is called 'tracheotomy'"),
    ({"tracheostomy": yours("T", kind="finding")}, "kind 'finding' is none of"),
    ({"collar order": yours("T", says="soft")}, "says 'soft'; a collar order may say"),
    ({"neck_circumference_mm": yours("T", says="wide")}, "neck_circumference_mm says 'wide'"),
    ({"tracheostomy": yours("T"), "neck_circumference_mm": yours("T")}, "stands in line"),
]


@pytest.mark.parametrize(("entries", "said"), WRONG, ids=[said for _, said in WRONG])
def test_a_wrong_line_is_named_and_nothing_is_written(
    entries: dict[str, dict[str, str]], said: str, tmp_path: Path
) -> None:
    sheet = filled(tmp_path / "sheet.csv", entries)
    lines = [
        number
        for number, line in enumerate(sheet.read_text().splitlines(), 1)
        if any(f"{column}" in line for columns in entries.values() for column in columns.values() if column)
        and not line.endswith(",,,")
    ]
    ran, out = read(sheet)
    assert ran.exit_code == 2
    assert said in ran.output
    assert any(f"{sheet}:{number}: " in ran.output for number in lines)
    assert not out.exists()


def test_every_wrong_line_is_named_at_once(tmp_path: Path) -> None:
    ran, _ = read(filled(tmp_path / "sheet.csv", {"tracheostomy": {"your code": "T"}, "collar order": yours("T", "x")}))
    assert len(ran.output.strip().splitlines()) == 2


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"kind,name\nfact,sex\n", ":1: no column 'meaning'"),
        (b"", ":1: no column 'kind'"),
        ("größe".encode("latin-1"), "not UTF-8"),
    ],
)
def test_what_is_no_worksheet_is_refused(content: bytes, said: str, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_bytes(content)
    ran, _ = read(sheet)
    assert (ran.exit_code, said in ran.output) == (2, True), ran.output
