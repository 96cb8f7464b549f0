"""Sizes in words. CodeableConcept.text of FHIR R4 is what the user chose or wrote, so it may state what no coding does."""

from __future__ import annotations

import pytest

from cds.hooks.suggestions.size_words import is_only_a_size, sizes_in_words
from rules.loading.loader import KNOWLEDGE, load_ruleset

AXES = load_ruleset(KNOWLEDGE, ()).axes
WHOLE = {"line": "adult", "height_band": "H5", "girth_band": "G2"}


@pytest.mark.parametrize(
    ("text", "sizes"),
    [
        ("adult H5 G2", [WHOLE]),
        ("Adult h5, g2", [WHOLE]),
        ("Rigid neck collar, adult H5 G2", [WHOLE]),
        ("Rigid neck collar, adult H5 G2: adult line, height 80 mm and more", [WHOLE]),
        ("adult H5 G2 recumbent", [{**WHOLE, "back": "recumbent"}]),
        ("young_child H2 G1", [{"line": "young_child", "height_band": "H2", "girth_band": "G1"}]),
        ("young child H2 G1", [{"line": "young_child", "height_band": "H2", "girth_band": "G1"}]),
        ("H5, tried on by orthotist, fits", [{"height_band": "H5"}]),
        ("collar size H5", [{"height_band": "H5"}]),
        ("H3 or H4", [{"height_band": "H3"}, {"height_band": "H4"}]),
        ("H3/H4", [{"height_band": "H3"}, {"height_band": "H4"}]),
        # Words that may be said of anything, and what only looks like a band.
        ("Rigid neck collar, adult, standard", []),
        ("adult ward, bed 5", []),
        ("H5N1 excluded", []),
        ("fracture of C5", []),
        ("XH5", []),
        ("H9 G9", []),
        ("", []),
        # Denied.
        ("not H5", []),
        ("no adult H5", []),
        ("smaller than H5", []),
        ("H3 instead of H5", [{"height_band": "H3"}]),
        ("not known, H5", [{"height_band": "H5"}]),
    ],
)
def test_the_sizes_that_a_text_names(text: str, sizes: list[dict[str, str]]) -> None:
    assert list(sizes_in_words(text, AXES)) == sizes


@pytest.mark.parametrize(
    ("text", "only"),
    [("adult H5 G2", True), ("H5", True), ("H5, fits", False), ("adult", False), ("H3 H4", False), ("", False)],
)
def test_whether_a_text_says_nothing_beside_a_size(text: str, only: bool) -> None:
    assert is_only_a_size(text, AXES) is only


def test_a_long_text_takes_no_longer_than_its_beginning() -> None:
    assert len(list(sizes_in_words("H5 G2 not " * 100_000, AXES))) == 1
    assert not list(sizes_in_words("x" * 2000 + " H5", AXES))
