"""The words of a text, as they can be compared: no case, no marks, no compatibility forms; and lists of words to look for."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

_WORD = re.compile(r"[^\W_]+")
_LETTERS = str.maketrans({"ł": "l", "ø": "o", "đ": "d", "ı": "i", "æ": "ae", "œ": "oe"})


def words_of(said: str) -> list[str]:
    """The words of ``said`` in their order, in lower case: hyphens, dots and brackets part words as blanks do."""
    return _WORD.findall(unicodedata.normalize("NFKC", said).casefold())


def folded(said: str) -> str:
    """``said`` in lower case without accents: ``ł`` and ``ø`` too become the letter that a careless writer takes."""
    spread = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", said).casefold())
    return "".join(mark for mark in spread if not unicodedata.combining(mark)).translate(_LETTERS)


def folded_words_of(said: str) -> list[str]:
    """The words of ``said`` as ``words_of`` gives them, without accents."""
    return _WORD.findall(folded(said))


@dataclass(frozen=True)
class WordList:
    """Words to look for: those of ``whole`` as they stand, those of ``stems`` by their beginning."""

    whole: frozenset[str] = frozenset()
    stems: tuple[str, ...] = ()

    @classmethod
    def of(cls, written: Iterable[str]) -> WordList:
        """From words ``written`` as in the code map: ``immobili*`` is a beginning, ``collar`` a whole word."""
        written = [each.casefold() for each in written]
        stems = sorted({each.removesuffix("*") for each in written if each.endswith("*")})
        return cls(frozenset(each for each in written if not each.endswith("*")), tuple(stems))

    def __or__(self, other: WordList) -> WordList:
        """Both lists as one."""
        return WordList(self.whole | other.whole, tuple(sorted({*self.stems, *other.stems})))

    def __contains__(self, word: object) -> bool:
        """Whether ``word`` is one of them."""
        return isinstance(word, str) and (word in self.whole or word.startswith(self.stems))

    def any_of(self, words: Iterable[str]) -> bool:
        """Whether some word of ``words`` is one of them."""
        return any(word in self for word in words)
