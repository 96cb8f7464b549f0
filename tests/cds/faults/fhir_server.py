"""A small FHIR server of an invented hospital: reads, searches with real paging, and a token that it insists on.

Below /silent it takes every call and answers none.

Run as ``python -m tests.cds.faults.fhir_server``; prints its port. Data are invented.
"""

from __future__ import annotations

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

TOKEN = "invented-access-token"
PATIENT = "invented-7"
PAGE = 2
SYSTEM = "https://nuque.example.org/fhir/CodeSystem/facts"

OBSERVATIONS = [
    {
        "resourceType": "Observation",
        "id": f"invented-{number}",
        "status": "final",
        "code": {"coding": [{"system": SYSTEM, "code": code}]},
        "subject": {"reference": f"Patient/{PATIENT}"},
        "effectiveDateTime": "2026-01-31T09:00:00Z",
        "valueQuantity": {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit},
    }
    for number, (code, value, unit) in enumerate(
        [("neck-circumference", 380, "mm"), ("neck-height", 66, "mm"), ("height", 175, "cm"), ("weight", 80, "kg")]
    )
]
RESOURCES = {
    f"Patient/{PATIENT}": {"resourceType": "Patient", "id": PATIENT, "gender": "male", "birthDate": "1984-05-02"},
    "Encounter/invented-1": {"resourceType": "Encounter", "id": "invented-1", "status": "in-progress"},
}


class Handler(BaseHTTPRequestHandler):
    """Answers GET, and searches by POST, below /fhir."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True  # Head and body are two writes; the second must not wait for the first's receipt.

    def do_GET(self) -> None:
        if self.path.startswith("/silent/"):
            self.rfile.read(1)  # Until whoever asks hangs up.
            self.close_connection = True
            return
        if self.headers.get("Authorization") != f"Bearer {TOKEN}":
            self._answer(401, {"resourceType": "OperationOutcome"})
            return
        url = urlsplit(self.path)
        path = url.path.removeprefix("/fhir/")
        if path == url.path:
            self._page_for_people()
        elif path in RESOURCES:
            self._answer(200, RESOURCES[path])
        elif url.query and "/" not in path:
            self._answer(200, self._page(path, parse_qs(url.query), url.query))
        else:
            self._answer(404, {"resourceType": "OperationOutcome"})

    def _page_for_people(self) -> None:
        """As many servers answer beside their base: a page, with 200."""
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", "13")
        self.end_headers()
        self.wfile.write(b"<p>Hello.</p>")

    def do_POST(self) -> None:
        path, _, action = self.path.removeprefix("/fhir/").rpartition("/")
        search = self.rfile.read(int(self.headers.get("Content-Length", "0"))).decode()
        if self.headers.get("Authorization") != f"Bearer {TOKEN}":
            self._answer(401, {"resourceType": "OperationOutcome"})
        elif action != "_search" or self.headers.get("Content-Type") != "application/x-www-form-urlencoded":
            self._answer(404, {"resourceType": "OperationOutcome"})
        else:
            self._answer(200, self._page(path, parse_qs(search), search))

    def _page(self, kind: str, asked: dict[str, list[str]], query: str) -> dict[str, Any]:
        mine = asked.get("patient", asked.get("subject", [""]))[0] in (PATIENT, f"Patient/{PATIENT}")
        found = OBSERVATIONS if kind == "Observation" and mine else []
        start = int(asked.get("_start", ["0"])[0])
        bundle: dict[str, Any] = {
            "resourceType": "Bundle",
            "type": "searchset",
            "entry": [{"resource": resource} for resource in found[start : start + PAGE]],
        }
        if start + PAGE < len(found):
            host = self.headers.get("X-Forwarded-Host") or self.headers["Host"]
            rest = "&".join(part for part in query.split("&") if not part.startswith("_start="))
            following = f"http://{host}/fhir/{kind}?{rest}&_start={start + PAGE}"
            bundle["link"] = [{"relation": "next", "url": following}]
        return bundle

    def _answer(self, status: int, body: dict[str, Any]) -> None:
        content = json.dumps(body).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


class Quiet(ThreadingHTTPServer):
    """Says nothing of connections that were broken on purpose."""

    daemon_threads = True
    request_queue_size = 1024
    """With the five that Python takes, the kernel drops what connects at once, and whoever it was asks again after a second."""

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing."""


if __name__ == "__main__":
    server = Quiet(("127.0.0.1", 0), Handler)
    print(server.server_port, flush=True)
    sys.exit(server.serve_forever())
