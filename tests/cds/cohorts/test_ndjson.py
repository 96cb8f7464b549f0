"""Lines of NDJSON: none is lost or cut wherever blocks end, and every way to write a known code in JSON is found."""

import gzip
import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.cohorts import ndjson
from cds.cohorts.errors import ReplayError
from cds.cohorts.ndjson import blocks_of_lines, mentions
from cds.fhir.reading.code_map_loader import load_code_map
from tests.shipped_content import RULESET

CODES = load_code_map(RULESET)
TEXTS = st.lists(
    st.text(st.characters(exclude_characters="\n\r", exclude_categories=("Cs",)), max_size=40), max_size=30
)


def lines_of(path):
    return [line for block in blocks_of_lines(path) for line in block["line"]]


@pytest.mark.parametrize("name", ["Observation.ndjson", "Observation.ndjson.gz"])
@given(written=TEXTS, block=st.integers(1, 64), ended=st.booleans())
def test_every_line_comes_out_whole_wherever_a_block_ends(tmp_path_factory, name, written, block, ended):
    path = tmp_path_factory.getbasetemp() / name
    content = ("\n".join(written) + ("\n" if ended and written else "")).encode()
    path.write_bytes(gzip.compress(content) if name.endswith("gz") else content)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ndjson, "_BLOCK", block)
        found = lines_of(path)
    assert [line for line in found if line] == [line for line in written if line]


def test_a_file_that_is_not_utf_8_is_refused_by_name(tmp_path):
    path = tmp_path / "Patient.ndjson"
    path.write_bytes(b'{"id": "\xff"}\n')
    with pytest.raises(ReplayError, match=r"Patient\.ndjson: is not UTF-8"):
        lines_of(path)


@pytest.mark.parametrize(
    "damage", [lambda whole: whole[:-9], lambda whole: b"no gzip", lambda whole: whole[:40] + b"?" * 40]
)
def test_a_damaged_gzip_file_is_refused_by_name(tmp_path, damage):
    path = tmp_path / "Patient.ndjson.gz"
    path.write_bytes(damage(gzip.compress(bytes(range(32, 127)) * 50)))
    with pytest.raises(ReplayError, match=r"Patient\.ndjson\.gz: damaged gzip file"):
        lines_of(path)


def concept(coding):
    return {"code": {"coding": [coding._asdict()]}}


def test_every_code_of_the_map_is_found_however_json_is_written():
    pattern = re.compile(mentions(CODES))
    known = [*CODES.exact, *(prefix._replace(code=prefix.code + ".9") for prefix in CODES.prefixes)]
    assert CODES.exact and CODES.prefixes
    for coding in known:
        resource = concept(coding)
        escaped = "".join(f"\\u{ord(character):04x}" for character in coding.code)
        for written in (
            json.dumps(resource),
            json.dumps(resource, separators=(",", ":")),
            json.dumps(resource, separators=(", ", " \t: ")),
            json.dumps(resource).replace(f'"{coding.code}"', f'"{escaped}"'),
        ):
            assert pattern.search(written), written


def test_facts_are_found_by_the_link_of_a_questionnaire_and_a_system_of_our_own_by_its_name():
    pattern = re.compile(mentions(CODES))
    for name, fact in CODES.vocabulary.items():
        assert pattern.search(json.dumps({"item": [{"linkId": name}]}))
        assert pattern.search(json.dumps({"item": [{"linkId": fact.code}]}))
    assert pattern.search(json.dumps({"code": {"coding": [{"system": CODES.own_facts, "code": "no-such-fact"}]}}))


def test_a_line_about_something_else_is_left_out():
    pattern = re.compile(mentions(CODES))
    haemoglobin = {"code": {"coding": [{"system": "http://loinc.org", "code": "718-7"}]}, "note": "neck-height 66"}
    assert pattern.search(json.dumps(haemoglobin)) is None
