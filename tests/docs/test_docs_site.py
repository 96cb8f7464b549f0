"""The files shown in docs/site.md load, and the page names every section that a code map may have."""

import re
from pathlib import Path

from cds.fhir.reading.code_map_loader import CODE_MAP, build_code_map
from cds.site.catalogue import Catalogue
from rules.loading.yaml_reader import YamlFile
from tests.shipped_content import RULESET

PAGE = (Path(__file__).parents[2] / "docs" / "site.md").read_text(encoding="utf-8")
BLOCKS = dict(re.findall(r"^```yaml ([a-z-]+)\n(.*?)^```$", PAGE, re.M | re.S))


def test_the_code_map_shown_loads() -> None:
    shown = YamlFile("docs/site.md", BLOCKS["code-map"])
    built = build_code_map(RULESET.vocabulary, [YamlFile.read(CODE_MAP), shown])
    assert built.units["centimetre"] == "cm"


def test_the_catalogue_shown_loads() -> None:
    catalogue = Catalogue.build(YamlFile("docs/site.md", BLOCKS["catalogue"]), RULESET)
    assert [item.item for item in catalogue.items] == ["0017"]


def test_every_section_of_the_shipped_code_map_is_described() -> None:
    described = set(re.findall(r"`([a-z_]+)`", "".join(re.findall(r"^\| (`.*?) \|", PAGE, re.M))))
    assert set(YamlFile.read(CODE_MAP).data) <= described
