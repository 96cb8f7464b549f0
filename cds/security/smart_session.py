"""Sessions of SMART App Launch: what a browser carries between launch and page, sealed in cookies; nothing is stored here."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from cds.security.caller import Caller, HttpCall
from cds.security.sealed_links import LinkRefused, LinkSeal

LAUNCH, SESSION = "nuque-launch", "nuque-session"
"""Names of the two cookies."""

LAUNCH_MINUTES = 10
"""So long may somebody take to sign in at the EHR."""


class _Carried(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    expires: AwareDatetime


class PendingLaunch(_Carried):
    """A launch that waits for its return: the FHIR server, the state that must come back, and the PKCE verifier."""

    kind: Literal["launch"] = "launch"
    iss: str
    state: str
    verifier: str


class Session(_Carried):
    """A browser in which the chart of ``patient`` of the FHIR server ``iss`` is open."""

    kind: Literal["session"] = "session"
    iss: str
    patient: str


_Kind = TypeVar("_Kind", PendingLaunch, Session)


class SmartSessions:
    """Seals and opens the two cookies; what is expired, changed or of another service is as good as absent."""

    def __init__(self, seal: LinkSeal, clock: Callable[[], datetime]) -> None:
        """Seal by ``seal``, at the moment that ``clock`` tells."""
        self._seal, self._clock = seal, clock

    def lasting(self, span: timedelta) -> datetime:
        """The moment ``span`` from now."""
        return self._clock() + span

    def sealed(self, carried: PendingLaunch | Session) -> str:
        """The value of the cookie for ``carried``."""
        return self._seal.seal(carried.model_dump_json().encode(), self._clock())

    def pending(self, call: HttpCall) -> PendingLaunch | None:
        """The launch that the browser of ``call`` began, where it still may end."""
        return self._opened(call, LAUNCH, PendingLaunch)

    def caller(self, call: HttpCall) -> Caller | None:
        """Who makes the ``call`` out of a session; None where there is none."""
        session = self._opened(call, SESSION, Session)
        return None if session is None else Caller("smart", tenant=session.iss, patient=session.patient)

    def _opened(self, call: HttpCall, name: str, kind: type[_Kind]) -> _Kind | None:
        text = _cookie(call, name)
        if text is None:
            return None
        try:
            carried = kind.model_validate_json(self._seal.open(text, self._clock()))
        except (LinkRefused, ValidationError):
            return None
        return carried if carried.expires > self._clock() else None


def _cookie(call: HttpCall, name: str) -> str | None:
    """The first cookie of that name (RFC 6265, section 5.4: the one of the longest path); others may bear any name."""
    pairs = (pair.partition("=") for header in call.headers.get("cookie", []) for pair in header.split(";"))
    return next((value.strip() for found, _, value in pairs if found.strip() == name), None)
