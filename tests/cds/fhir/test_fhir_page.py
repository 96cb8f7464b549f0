"""docs/fhir.md says what the code does: its example, its extensions, its code systems."""

import json
import re

from cds.fhir.publishing.artifacts import artefacts
from cds.fhir.publishing.structure_definitions import EXTENSIONS
from tests.docs.fhir_example import PAGE, block, printed
from tests.shipped_content import RULESET


def table_below(heading: str) -> dict[str, list[str]]:
    section = PAGE.read_text(encoding="utf-8").split(f"{heading}\n", 1)[1].split("\n#", 1)[0]
    rows = [line.strip("|").split("|") for line in section.splitlines() if line.startswith("| `")]
    return {cells[0].strip(" `"): [cell.strip() for cell in cells[1:]] for cells in rows}


def test_the_example_program_prints_the_example() -> None:
    """``make renew`` writes it anew."""
    assert json.loads(timeless(printed())) == json.loads(timeless(block("json")))


def timeless(printed: str) -> str:
    """Without the hash of the content and the names made from it: these change with every rule."""
    return re.sub(r"[0-9a-f]{64}|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "...", printed)


def test_every_extension_is_on_the_page_with_its_type() -> None:
    assert {name: cells[0] for name, cells in table_below("### Extensions").items()} == {
        extension.name: extension.value_type for extension in EXTENSIONS
    }


def test_every_code_system_is_on_the_page() -> None:
    systems = {name for kind, name in artefacts(RULESET) if kind == "CodeSystem"}
    assert set(table_below("### Code systems")) == systems
