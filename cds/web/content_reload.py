"""Content at the start and new content while the service runs: checked first, and only then decided by, as a whole.

Whatever fails at a reload, the old content stays and the reason is said. At a start nothing is decided before the gate has passed
the content, unless a verdict on exactly this content is kept.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from cds.observability.logging import failure, log
from cds.settings import Settings
from cds.site import verdicts
from cds.site.content import Content
from cds.site.content_check import CHANGED, MOST_MEMORY_BYTES, MOST_PROCESSOR_SECONDS, Proof
from cds.site.lasting_objects import replaced
from cds.web.dependencies import Service, Withheld
from rules.errors import NuqueError

_COMMAND = [sys.executable, "-P", "-m", "cds.site.content_check"]  # -P: not what lies in the current folder.
_MOST_REASONS = 50
_MOST_SECONDS = 1800
_MOST_TRIES = 3
"""So often is content checked that is changed meanwhile."""
_LIMITS = f"{MOST_MEMORY_BYTES // 1024**2} MiB of address space, {MOST_PROCESSOR_SECONDS} s of processor"
_OF_CONTENT = {"knowledge", "overlays", "verdicts", "code_map", "catalogue", "canonical_base"}
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


class ContentCheck:
    """The check of new content in a process of its own, which tells how far it is and ends in bounded time."""

    def __init__(self) -> None:
        """Not begun."""
        self._process: subprocess.Popen[str] | None = None
        self._why_ended: str | None = None

    def end(self, why: str) -> None:
        """End the process, if it runs; the check is then refused, with ``why``."""
        self._why_ended = why
        if self._process is not None:
            self._process.kill()

    def has_ended(self) -> bool:
        """Whether it was ended, perhaps before it began."""
        return self._why_ended is not None

    def run(self, settings: Settings) -> Proof:
        """What the check found of the content of ``settings``. Raises ReloadRefused where it came to no end."""
        with (
            tempfile.TemporaryFile("w+") as said,
            subprocess.Popen(
                _COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said, text=True
            ) as process,
        ):
            self._process = process
            if self._why_ended is not None:
                process.kill()
            alarm = threading.Timer(_MOST_SECONDS, self.end, [f"the check took longer than {_MOST_SECONDS} s"])
            alarm.start()
            try:
                found = self._heard(process, settings.model_dump_json(include=_OF_CONTENT))
            finally:
                alarm.cancel()
                process.kill()
            process.wait()
            said.seek(0)
            if found is None:
                why = self._why_ended or f"the check itself failed (limits: {_LIMITS})"
                raise ReloadRefused([why, *said.read().splitlines()[-3:]])
        return Proof(found["stamp"], tuple(found["reasons"]), found["cases"], tuple(found["remarks"]))

    @staticmethod
    def _heard(process: subprocess.Popen[str], given: str) -> dict[str, Any] | None:
        """The outcome, or None where the process ended without one; the stages go to the log."""
        assert process.stdin is not None and process.stdout is not None
        with suppress(BrokenPipeError), process.stdin as its_input:
            its_input.write(given)
        for line in process.stdout:
            found: dict[str, Any] = json.loads(line)
            if "stage" not in found:
                return found
            log.info("reload", **found)
        return None


def proved(settings: Settings, check: ContentCheck) -> tuple[Content, Proof]:
    """Content by ``settings`` that may be used, and its proof: by ``check``, or kept of exactly this content.

    Where the files change meanwhile, those that are there then are looked at, so that all workers end with the same.
    Raises ReloadRefused.
    """
    for _ in range(_MOST_TRIES):
        proof = _proof(settings, check)
        if proof.reasons == (CHANGED,):
            continue
        if proof.reasons:
            raise ReloadRefused(list(proof.reasons))
        try:
            content = Content.load(settings)
        except NuqueError as error:
            raise ReloadRefused(str(error).splitlines()) from error
        if content.stamp == proof.stamp:
            return content, proof
    raise ReloadRefused([CHANGED])


def _proof(settings: Settings, check: ContentCheck) -> Proof:
    """All workers are told to reload at once: one of them checks, and the others find its verdict. Raises ReloadRefused."""
    until = time.monotonic() + _MOST_SECONDS
    with verdicts.one_at_a_time(settings, lambda: check.has_ended() or time.monotonic() > until):
        return _kept(settings) or check.run(settings)


def _kept(settings: Settings) -> Proof | None:
    try:
        kept = verdicts.find(settings)
    except OSError:
        return None  # The check says which file cannot be read.
    if kept is None:
        return None
    log.info("content was checked before", ruleset=kept.stamp, cases=kept.cases, remarks=kept.remarks)
    return Proof(kept.stamp, (), kept.cases, kept.remarks)


_STOPPING = "the service is stopping"


class Reloader:
    """Swaps the content of a service. One reload at a time."""

    def __init__(self, service: Service) -> None:
        """Reload for ``service``."""
        self._service = service
        self._lock = threading.Lock()
        self._check = ContentCheck()
        self._is_asked = self._has_stopped = False
        self.tell_others: Callable[[], None] = lambda: None
        """Called when this process was asked to reload and did: other workers of the service have to do so too."""

    def stop(self) -> None:
        """End a reload that is in progress, and any that comes after it: the service is stopping."""
        self._has_stopped = True
        self._check.end(_STOPPING)

    def withhold_unchecked(self) -> None:
        """Nothing is decided by the content with which the service was made, unless a verdict on it is kept."""
        kept = _kept(self._service.settings)
        passed = kept is not None and kept.stamp == self._service.content.stamp
        self._service.withheld = None if passed else Withheld.CHECKING

    def check_withheld(self) -> None:
        """Begin the check of what is withheld, in a thread of its own."""
        if self._service.withheld is not None:
            # As a daemon: it may wait for another process, which must not hold up the end of this one.
            threading.Thread(target=self._first_check, name="first check", daemon=True).start()

    def _first_check(self) -> None:
        with self._lock:
            if self._service.withheld is None:
                return  # A reload that came before has passed.
            self._reload_and_log()
            if self._service.withheld is not None:
                self._service.withheld = Withheld.REFUSED

    def reload(self) -> Reloaded:
        """Prove and swap, here and then in other workers.

        Raises ReloadRefused; the old content then stays. Calls in progress keep what they began with.
        """
        if not self._lock.acquire(blocking=False):
            raise ReloadRefused(["another reload is in progress"])
        try:
            done = self._reload_here()
        finally:
            self._lock.release()
        self.tell_others()
        return done

    def _reload_here(self) -> Reloaded:
        """With the lock held."""
        log.info("reload begins")
        self._check = ContentCheck()
        if self._has_stopped:
            self._check.end(_STOPPING)
        try:
            content, proof = proved(self._service.settings, self._check)
        except ReloadRefused as refused:
            log.error("reload refused", reasons=refused.reasons)
            raise
        before = self._service.content.stamp
        self._service.content, self._service.withheld = content, None
        replaced()
        log.info("reloaded", before=before, after=content.stamp, cases=proof.cases, remarks=proof.remarks)
        return Reloaded(before, content.stamp, proof.cases, proof.remarks)

    def on_signal(self) -> None:
        """Reload in a thread of its own; the outcome is in the log.

        After a reload that is in progress, which may have read the files before they were as they are now.
        """
        if not self._is_asked:
            self._is_asked = True
            threading.Thread(target=self._in_background, name="reload").start()

    def _in_background(self) -> None:
        with self._lock:
            self._is_asked = False  # Before anything is read: whoever asks from now on gets another reload.
            self._reload_and_log()

    def _reload_and_log(self) -> None:
        try:
            self._reload_here()
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
