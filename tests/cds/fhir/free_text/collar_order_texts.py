"""How well collar orders are told from their words: ``python -m tests.cds.fhir.free_text.collar_order_texts``.

The texts were written before the code. A half of them, drawn by a hash of each text, was held back: the words of the code map
were made with the other half alone, and were not changed after a look at the result. Whoever changes them by what is seen
there draws anew (SEED) from texts that are added first. A few more, the later ones, were written after the code.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Literal, NamedTuple

import yaml

from cds.fhir.reading.code_map_loader import load_code_map
from tests.shipped_content import RULESET

TEXTS = Path(__file__).with_suffix(".yaml")
SEED = "collar orders 1"

Part = Literal["open", "held back", "later"]
PARTS: tuple[Part, ...] = ("open", "held back", "later")


class Text(NamedTuple):
    """A text, what it is (a key of the file), and what it was taken for."""

    said: str
    expected: str
    found: str
    part: Part

    @property
    def is_right(self) -> bool:
        return self.found == self.expected


@lru_cache
def judged() -> tuple[Text, ...]:
    """Every text of the file with what an order of that name is taken for."""
    code_map = load_code_map(RULESET)

    def found(said: str) -> str:
        order = {"resourceType": "ServiceRequest", "code": {"text": said}}
        if code_map.is_collar_order(order):
            return "orders"
        return "others" if code_map.order_look_alike(order) is None else "look_alikes"

    written = yaml.safe_load(TEXTS.read_text(encoding="utf-8"))
    later = written.pop("later")
    return (
        *(Text(said, kind, found(said), _half(said)) for kind, texts in written.items() for said in texts),
        *(Text(said, kind, found(said), "later") for kind, texts in later.items() for said in texts),
    )


def _half(said: str) -> Part:
    drawn = hashlib.sha256(f"{SEED}\0{said}".encode()).digest()[0]
    return "held back" if drawn % 2 else "open"


def report(part: Part) -> str:
    """How many of each kind were told right, and each that was not."""
    texts = [text for text in judged() if text.part == part]
    lines = [f"{part}: {sum(text.is_right for text in texts)} of {len(texts)} right"]
    for expected in dict.fromkeys(text.expected for text in texts):
        of_kind = [text for text in texts if text.expected == expected]
        lines.append(f"  {expected}: {sum(text.is_right for text in of_kind)} of {len(of_kind)}")
    lines += [f"  wrong: {text.said!r} is taken for {text.found}" for text in texts if not text.is_right]
    return "\n".join(lines)


if __name__ == "__main__":
    print("\n".join(map(report, PARTS)))
