"""What comes from a record never acts in the Markdown of a card."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.hooks.cards import markdown


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("<script>alert(1)</script>", r"&lt;script\>alert(1)&lt;/script\>"),
        ("[click](http://x.example)", r"\[click\](http:// x.example)"),
        ("# heading\n\nnext", r"\# heading next"),
        ("a|b *c* _d_ `e`", r"a\|b \*c\* \_d\_ \`e\`"),
        ("5 < 6 & so on", "5 &lt; 6 &amp; so on"),
        ("left \u202egnitirw\u202c", "left gnitirw"),
    ],
)
def test_markdown_and_html_in_a_record_are_shown_as_written(written: str, shown: str) -> None:
    assert markdown.plain(written) == shown


@given(st.text())
def test_nothing_that_markdown_acts_on_is_left(text: str) -> None:
    shown = markdown.plain(text)
    assert "\n" not in shown
    assert "<" not in shown
    assert not re.search(r"(?<!\\)(?:\\\\)*[`*_>#|~\[\]]", shown)


@given(st.text(), st.integers(20, 200))
def test_a_shortened_text_fits_and_says_that_it_was_cut(text: str, longest: int) -> None:
    short = markdown.shorten(text, longest)
    assert len(short) <= longest
    assert short == text or short.endswith("…")
