"""SIGHUP, the usual signal to read configuration again."""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def on_hangup(act: Callable[[], None]) -> Iterator[None]:
    """Call ``act`` on each SIGHUP while the block runs. Only the main thread can take signals; elsewhere nothing is set up."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGHUP, act)
    try:
        yield
    finally:
        loop.remove_signal_handler(signal.SIGHUP)
