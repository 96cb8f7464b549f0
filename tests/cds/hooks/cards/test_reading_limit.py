"""A card is cut to its limit: what is needed stands, the rest while there is room, and the remainder is counted."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.hooks.cards.reading_limit import CardLine, fitted

LINES = st.lists(
    st.builds(
        CardLine, st.sampled_from(["", "Also", "Who"]), st.from_regex(r"[a-z]{1,40}", fullmatch=True), st.booleans()
    ),
    max_size=20,
    unique_by=lambda line: line.text,
)


@given(LINES, st.integers(0, 400))
def test_what_is_needed_stands_and_the_rest_keeps_to_the_limit(lines: list[CardLine], longest: int) -> None:
    text = fitted(lines, "1234", longest)
    needed = [line for line in lines if line.needed]
    assert all(line.text in text for line in needed)
    assert len(text) <= max(longest, len(fitted(needed, "1234", 0)) + len("\n\nNot shown here: 20 reasons."))


def test_what_is_left_out_is_counted_and_the_first_of_a_kind_stay() -> None:
    lines = [CardLine("", "x" * 50, needed=True), *(CardLine("Also", f"{n}" * 60, counted="caution") for n in range(3))]
    text = fitted(lines, "1234", 180)
    assert "0" * 60 in text and "1" * 60 not in text and "2" * 60 not in text
    assert text.endswith("Not shown here: 2 cautions.")


def test_what_nobody_misses_is_left_out_uncounted() -> None:
    lines = [CardLine("", "First.", needed=True), CardLine("", "It stays.", counted="")]
    assert fitted(lines, "1234", 400) == "First.\n\nIt stays."
    assert fitted(lines, "1234", 8) == "First."


def test_what_stands_behind_is_counted_whatever_the_room() -> None:
    lines = [CardLine("", "First.", needed=True), CardLine("Also", "Later.", counted="other size", behind=True)]
    assert fitted(lines, "1234", 400) == "First.\n\nNot shown here: 1 other size."


@pytest.mark.parametrize("line", ["Call now", "Call now.", "call now"])
def test_the_summary_is_not_said_again(line: str) -> None:
    assert fitted([CardLine("", line, needed=True)], "Do not size: Call now (and 1 more)", ending="End.") == "End."
