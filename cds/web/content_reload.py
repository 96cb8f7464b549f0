"""New knowledge while the service runs: proved first, and only then put in place of the old, as a whole.

Whatever fails, the old knowledge stays and the reason is said.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from cds.observability.logging import failure, log
from cds.settings import Settings
from cds.site.content import Content
from cds.site.content_check import Proof
from cds.web.dependencies import Service
from rules.errors import NuqueError

_MOST_REASONS = 50
_MOST_SECONDS = 600
_OF_CONTENT = {"knowledge", "overlays", "code_map", "catalogue", "canonical_base"}
"""The settings that content depends on; no secret is among them."""


class ReloadRefused(NuqueError):
    """The new knowledge is not used. ``reasons`` says why, one line each."""

    def __init__(self, reasons: list[str]) -> None:
        """Keep ``reasons``."""
        self.reasons = reasons[:_MOST_REASONS]
        super().__init__("\n".join(self.reasons))


@dataclass(frozen=True)
class Reloaded:
    """What was swapped: the rule set's stamp before and after, how many cases were run, and what lint remarked."""

    before: str
    after: str
    cases: int
    remarks: tuple[str, ...]


def proved(settings: Settings) -> tuple[Content, Proof]:
    """Content that may be used, and its proof. Raises ReloadRefused."""
    command = [sys.executable, "-P", "-m", "cds.site.content_check"]  # -P: not what lies in the current folder.
    given = settings.model_dump_json(include=_OF_CONTENT)
    try:
        done = subprocess.run(command, input=given, capture_output=True, text=True, timeout=_MOST_SECONDS)
    except subprocess.TimeoutExpired as error:
        raise ReloadRefused([f"the proof took longer than {_MOST_SECONDS} s"]) from error
    if done.returncode != 0:
        said = done.stderr.splitlines()
        raise ReloadRefused(["the proof itself failed", *said[-3:]])
    found = json.loads(done.stdout)
    proof = Proof(found["stamp"], tuple(found["reasons"]), found["cases"], tuple(found["remarks"]))
    if proof.reasons:
        raise ReloadRefused(list(proof.reasons))
    try:
        content = Content.load(settings)
    except NuqueError as error:
        raise ReloadRefused(str(error).splitlines()) from error
    if content.stamp != proof.stamp:
        raise ReloadRefused(["the knowledge changed while it was proved; reload again"])
    return content, proof


class Reloader:
    """Swaps the content of a service. One reload at a time."""

    def __init__(self, service: Service) -> None:
        """Reload for ``service``."""
        self._service = service
        self._lock = threading.Lock()

    def reload(self) -> Reloaded:
        """Prove and swap. Raises ReloadRefused; the old content then stays. Calls in progress keep what they began with."""
        if not self._lock.acquire(blocking=False):
            raise ReloadRefused(["another reload is in progress"])
        try:
            content, proof = proved(self._service.settings)
            before = self._service.content.stamp
            self._service.content = content
        except ReloadRefused as refused:
            log.error("reload refused", reasons=refused.reasons)
            raise
        finally:
            self._lock.release()
        log.info("reloaded", before=before, after=content.stamp, cases=proof.cases)
        return Reloaded(before, content.stamp, proof.cases, proof.remarks)

    def on_signal(self) -> None:
        """Reload in a thread of its own; the outcome is in the log."""
        threading.Thread(target=self._in_background, name="reload").start()

    def _in_background(self) -> None:
        try:
            self.reload()
        except ReloadRefused:
            return  # Logged with its reasons.
        except Exception as error:  # A thread has nobody above it who would report this.
            log.error("reload failed", **failure(error))


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
