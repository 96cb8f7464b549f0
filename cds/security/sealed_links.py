"""What a link carries, sealed: only this service can read it, nobody can change it, and it expires."""

from __future__ import annotations

import base64
import binascii
import zlib
from datetime import datetime
from functools import lru_cache

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESSIV
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from rules.errors import NuqueError

LONGEST = 64_000
"""So many characters of a sealed text are looked at."""
_MOST_BYTES = 1_000_000
_PERIOD_BYTES, _ISSUED_BYTES = 4, 8
_KEYS = 2
"""The periods whose links open: this one and the one before."""
_WINDOW_BITS, _MEMORY_LEVEL = 12, 5
"""Of zlib: room for what a link carries. With its own 15 and 8 each seal would write over a quarter of a megabyte."""


class LinkRefused(NuqueError):
    """A link cannot be opened; ``expired`` where it once could."""

    def __init__(self, message: str, *, expired: bool = False) -> None:
        """Refuse with ``message``, for whoever followed the link."""
        self.expired = expired
        super().__init__(message)


class LinkSeal:
    """Seals by AES-SIV (RFC 5297): the same content at the same moment gives the same text, so that a repeated call repeats it.

    The keys come from one secret that all workers share. Each serves one period as long as a link lives, and none is used
    after the next period.
    """

    def __init__(self, secret: bytes, hours: int) -> None:
        """Derive keys from ``secret``; a link lives for ``hours``."""
        self._secret, self._seconds = secret, hours * 3600
        self._key = lru_cache(_KEYS)(self._derived)

    def seal(self, content: bytes, at: datetime) -> str:
        """``content`` as letters, digits, ``-`` and ``_``, issued at the moment ``at`` (with time zone)."""
        issued = int(at.timestamp())
        period = (issued // self._seconds).to_bytes(_PERIOD_BYTES)
        packer = zlib.compressobj(9, zlib.DEFLATED, _WINDOW_BITS, _MEMORY_LEVEL)
        plain = issued.to_bytes(_ISSUED_BYTES) + packer.compress(content) + packer.flush()
        sealed = period + AESSIV(self._key(period)).encrypt(plain, [period])
        return base64.urlsafe_b64encode(sealed).rstrip(b"=").decode()

    def open(self, text: str, at: datetime) -> bytes:
        """The content sealed in ``text``, at the moment ``at``. Raises LinkRefused."""
        now = int(at.timestamp())
        period, sealed = _taken_apart(text)
        if int.from_bytes(period) not in (now // self._seconds - 1, now // self._seconds):
            raise _expired()
        try:
            plain = AESSIV(self._key(period)).decrypt(sealed, [period])
        except (InvalidTag, ValueError) as error:
            raise _damaged() from error
        if not 0 <= now - int.from_bytes(plain[:_ISSUED_BYTES]) <= self._seconds:
            raise _expired()
        return zlib.decompressobj().decompress(plain[_ISSUED_BYTES:], _MOST_BYTES)

    def _derived(self, period: bytes) -> bytes:
        return HKDF(SHA256(), 64, salt=None, info=b"nuque sealed link " + period).derive(self._secret)


def _taken_apart(text: str) -> tuple[bytes, bytes]:
    try:
        raw = text.encode("ascii")
        if len(raw) > LONGEST:
            raise _damaged()
        whole = base64.b64decode(raw + b"=" * (-len(raw) % 4), altchars=b"-_", validate=True)
    except (UnicodeEncodeError, binascii.Error) as error:
        raise _damaged() from error
    if len(whole) <= _PERIOD_BYTES + 16:
        raise _damaged()
    return whole[:_PERIOD_BYTES], whole[_PERIOD_BYTES:]


def _damaged() -> LinkRefused:
    return LinkRefused("This link is not one of this service, or was cut off on its way.")


def _expired() -> LinkRefused:
    return LinkRefused("This link has expired; open a new one from the patient's chart.", expired=True)
