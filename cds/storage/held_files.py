"""Database files held open, so that their beginning can be read without closing anything.

Whoever closes any descriptor of a file drops all locks of the process on it (POSIX, fcntl), those of SQLite included. Another
process then takes itself for the last one and removes the log, and what is committed after that is lost (sqlite.org,
"How To Corrupt An SQLite Database File", 2.2). So one descriptor is kept for each file until no store of this process uses it.
"""

from __future__ import annotations

import os
import threading

Identity = tuple[int, int]
"""Device and inode."""

_held: dict[Identity, tuple[int, int]] = {}
"""The descriptor of each file, and how many stores use it."""
_lock = threading.Lock()


def identity(path: str) -> Identity:
    """Which file stands at ``path``. Raises OSError."""
    found = os.stat(path)
    return found.st_dev, found.st_ino


def hold(path: str) -> Identity:
    """Keep the file at ``path`` open until it is let go as often as it was held. Raises OSError."""
    with _lock:
        file = identity(path)
        if file not in _held:
            descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            opened = os.fstat(descriptor)
            file = (opened.st_dev, opened.st_ino)
            # Replaced between the two looks by a file that is held already: this one descriptor is never closed.
            _held.setdefault(file, (descriptor, 0))
        descriptor, users = _held[file]
        _held[file] = (descriptor, users + 1)
        return file


def let_go(file: Identity) -> None:
    """The store that held ``file`` has closed its connections."""
    with _lock:
        descriptor, users = _held.pop(file)
        if users > 1:
            _held[file] = (descriptor, users - 1)
        else:
            os.close(descriptor)


def beginning(file: Identity, octets: int) -> bytes:
    """The first ``octets`` bytes of a held ``file``, or what there is of them; none where it was let go meanwhile."""
    with _lock:
        return os.pread(_held[file][0], octets, 0) if file in _held else b""
