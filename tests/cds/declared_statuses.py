"""Status codes that tests see, by the service's own log lines, held against what the published document declares."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.openapi.document import published
from tests.cds import ehr

_LEFT = 499
"""In the log only: the client left before it was answered."""
_NO_ROUTE = "none"
"""What stands in the log for a call that a layer answered before it was routed, or that meant no route."""
_WITHOUT_ROUTE = {"404", "405"}


def undeclared(lines: Iterable[str]) -> list[str]:
    """Calls in the log ``lines`` that were answered with a code that their route does not declare."""
    seen = {call for line in lines if (call := _call_of(line)) is not None}
    return sorted(
        f"{method} {route}: {status}" for method, route, status in seen if not _is_declared(method, route, status)
    )


def _call_of(line: str) -> tuple[str, str, int] | None:
    try:
        event = json.loads(line)
    except ValueError:
        return None
    if not isinstance(event, dict) or event.get("event") != "call":
        return None
    # HEAD is answered by the route of GET.
    return event["method"].replace("HEAD", "GET"), event["route"], event["status"]


def _is_declared(method: str, route: str, status: int) -> bool:
    declared = _declared()
    if status == _LEFT:
        return True
    if route == _NO_ROUTE:
        return str(status) in _WITHOUT_ROUTE.union(*declared.values())
    codes = declared.get(f"{method} {route}")
    return codes is None or str(status) in codes


@cache
def _declared() -> dict[str, set[str]]:
    """The codes of each route, in open mode and where tokens are asked for."""
    found: dict[str, set[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        admin = "a" * 40
        guarded = Settings(
            trust="jwt",
            clients=ehr.clients_file(Path(folder)),
            audiences=(ehr.BASE,),
            pseudonym_key="k" * 32,
            admin_token=admin,
            store_url=None,
        )
        for settings in (Settings(admin_token=admin, store_url=None), guarded):
            app = create_app(settings)
            for path, item in published(app, app.state.service)["paths"].items():
                for method, operation in item.items():
                    found.setdefault(f"{method.upper()} {path}", set()).update(operation["responses"])
    return found
