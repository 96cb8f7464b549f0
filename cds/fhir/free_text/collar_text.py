"""Tells whether a text orders a rigid neck collar, only speaks of one, or means something else that is called a collar.

By rules and not by likeness: "remove cervical collar" is as like an order as a text can be. A text with a word that is not
understood orders nothing. The words are data of the code
map; what they were tested on stands in tests/cds/fhir/free_text.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from functools import cached_property
from itertools import pairwise
from typing import Literal, TypeAlias

from cds.fhir.free_text.words import WordList, words_of

Verdict: TypeAlias = Literal["order", "look_alike", "something_else", "nothing"]
"""``look_alike``: of a neck collar or the like, and no order of a rigid one. ``something_else``: another thing of that name."""

CollarKind: TypeAlias = Literal["extrication", "long_term"]
"""What a code or a name may say of the collar that it orders."""

_LONGEST = 1000
"""Characters of a text that are read. What is longer is not the name of an order, and is never read as one."""


@dataclass(frozen=True)
class CollarWords:
    """The words by which a text is judged.

    ``joined`` are words that are written apart and mean one (``c collar``); then each is looked up as one (``ccollar``).
    ``devices`` name what is worn or done, ``collars`` those of them that are a collar by name, ``neck_collars`` those that
    say the neck too. ``neck`` and ``rigid`` make an order of it; ``nearby`` are parts of the body close enough to be
    listed. ``plain`` are the other words that an order may have; ``flexible`` ones only beside a rigid one. ``elsewhere``
    make another thing of it. ``clauses`` open what is said about the order and not by it (``until``, ``for``). A word of
    ``taken_off`` says that the device came off, unless one of ``put_back`` is beside it.
    """

    joined: frozenset[tuple[str, ...]] = frozenset()
    devices: WordList = field(default_factory=WordList)
    collars: WordList = field(default_factory=WordList)
    neck_collars: WordList = field(default_factory=WordList)
    neck: WordList = field(default_factory=WordList)
    rigid: WordList = field(default_factory=WordList)
    nearby: WordList = field(default_factory=WordList)
    plain: WordList = field(default_factory=WordList)
    flexible: WordList = field(default_factory=WordList)
    elsewhere: WordList = field(default_factory=WordList)
    other_names: WordList = field(default_factory=WordList)
    clauses: WordList = field(default_factory=WordList)
    taken_off: WordList = field(default_factory=WordList)
    put_back: WordList = field(default_factory=WordList)

    def __or__(self, other: CollarWords) -> CollarWords:
        """The words of both."""
        return CollarWords(**{each.name: getattr(self, each.name) | getattr(other, each.name) for each in fields(self)})

    def verdict(self, said: str) -> Verdict:
        """What ``said`` is."""
        words = list(self._joined(words_of(said[:_LONGEST])))
        found = self._judged(words, said)
        return "look_alike" if found == "nothing" and self.other_names.any_of(words) else found

    def _judged(self, words: list[str], said: str) -> Verdict:
        """What ``said`` is by its ``words`` in the language of the lists."""
        places = [place for place, word in enumerate(words) if word in self.devices]
        if not places:
            return "nothing"
        if self.elsewhere.any_of(words):
            return "something_else"
        if not self._of_the_neck(words):
            near = self.collars.any_of(words) or self.nearby.any_of(words)
            return "look_alike" if near else "nothing"
        if len(said) > _LONGEST:
            return "look_alike"
        ordering = self._without_clause(words, places[-1])
        rigid = self.rigid.any_of(ordering)
        return "order" if all(self._understands(word, rigid=rigid) for word in ordering) else "look_alike"

    def kind(self, said: str) -> CollarKind | None:
        """Which kind of collar ``said`` names, where it names one device and one kind."""
        words = list(self._joined(words_of(said)))
        if sum(word in self.devices for word in words) != 1:
            return None
        pairs = set(pairwise(words))
        long = "longterm" in words or not pairs.isdisjoint((("long", "term"), ("long", "wear")))
        if "extrication" in words:
            return None if long else "extrication"
        return "long_term" if long else None

    def names_a_collar(self, said: str) -> bool:
        """Whether ``said`` has a word that is a collar by name, in another language too."""
        words = list(self._joined(words_of(said[:_LONGEST])))
        return any(named.any_of(words) for named in (self.collars, self.neck_collars, self.other_names))

    def is_removal(self, said: str) -> bool:
        """Whether ``said`` says of a neck collar, or the like, that it came off, and not that one was put on again."""
        if self.verdict(said) != "look_alike":
            return False
        words = list(self._joined(words_of(said[:_LONGEST])))
        places = [place for place, word in enumerate(words) if word in self.devices]
        own = self._without_clause(words, places[-1]) if places else words
        return self.taken_off.any_of(own) and not self.put_back.any_of(own)

    def went_on(self, said: str) -> bool | None:
        """Whether ``said``, what was done with a device, says that it went on or came off; None where it says neither, or both."""
        words = words_of(said[:_LONGEST])
        on, off = self.put_back.any_of(words), self.taken_off.any_of(words)
        return None if on is off else on

    def _understands(self, word: str, *, rigid: bool) -> bool:
        """Whether ``word`` may stand in an order of a collar that is called rigid, or is not."""
        known = (self.devices, self.neck, self.rigid, self.nearby, self.plain, *([self.flexible] if rigid else []))
        return any(map(str.isdigit, word)) or any(word in words for words in known)

    def _of_the_neck(self, words: list[str]) -> bool:
        """Whether a device of ``words`` is one of the neck: it says so, or it is a collar and rigid, as no other collar is."""
        if self.neck.any_of(words) or self.neck_collars.any_of(words):
            return True
        return self.collars.any_of(words) and self.rigid.any_of(words)

    def _without_clause(self, words: list[str], device: int) -> list[str]:
        """``words`` up to the first that opens a clause after the last ``device``: until it is removed, it is ordered."""
        ends = (place for place, word in enumerate(words) if place > device and word in self.clauses)
        return words[: next(ends, len(words))]

    @cached_property
    def _longest_joined(self) -> int:
        return max(map(len, self.joined), default=1)

    def _joined(self, words: list[str]) -> Iterator[str]:
        place, longest = 0, self._longest_joined
        while place < len(words):
            sizes = (size for size in range(longest, 1, -1) if tuple(words[place : place + size]) in self.joined)
            size = next(sizes, 1)
            yield "".join(words[place : place + size])
            place += size
