"""The part of a FHIR server that carries out a transaction, as FHIR R4 has it (https://hl7.org/fhir/R4/http.html#trules)."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

Json = dict[str, Any]


class TransactionServer(ThreadingHTTPServer):
    """Stores what a transaction brings, references resolved; refuses one in which a reference leads nowhere."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.stored: list[Json] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}/fhir"

    @classmethod
    @contextmanager
    def started(cls) -> Iterator[TransactionServer]:
        with cls() as server:
            thread = threading.Thread(target=server.serve_forever)
            thread.start()
            try:
                yield server
            finally:
                server.shutdown()
                thread.join()

    def carry_out(self, bundle: Json) -> Json:
        """The transaction-response to ``bundle``. Raises ValueError where it cannot be carried out as a whole."""
        if (bundle["resourceType"], bundle["type"]) != ("Bundle", "transaction"):
            raise ValueError("no transaction")
        entries = bundle["entry"]
        names = {
            entry["fullUrl"]: f"{entry['resource']['resourceType']}/{len(self.stored) + number}"
            for number, entry in enumerate(entries)
            if entry["request"]["method"] == "POST"
        }
        if len(names) != sum(entry["request"]["method"] == "POST" for entry in entries):
            raise ValueError("a fullUrl stands twice")
        resolved = [_resolved(entry["resource"], names) for entry in entries if "resource" in entry]
        if '"reference": "urn:uuid:' in json.dumps(resolved):
            raise ValueError("a reference leads nowhere")
        self.stored += resolved
        return {
            "resourceType": "Bundle",
            "type": "transaction-response",
            "entry": [{"response": {"status": _STATUS[entry["request"]["method"]]}} for entry in entries],
        }


_STATUS = {"POST": "201 Created", "PUT": "200 OK", "DELETE": "204 No Content"}


def _resolved(value: Any, names: dict[str, str]) -> Any:
    if isinstance(value, dict):
        return {
            key: names.get(part, part) if key == "reference" and isinstance(part, str) else _resolved(part, names)
            for key, part in value.items()
        }
    return [_resolved(part, names) for part in value] if isinstance(value, list) else value


class _Handler(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        server = self.server
        assert isinstance(server, TransactionServer)
        sent = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        try:
            if self.path != "/fhir" or self.headers["Content-Type"] != "application/fhir+json":
                raise ValueError("not sent to the base as application/fhir+json")
            status, answer = 200, server.carry_out(sent)
        except (KeyError, ValueError) as error:
            diagnostics = f"{type(error).__name__}: {error}"
            issue = {"severity": "error", "code": "processing", "diagnostics": diagnostics}
            status, answer = 400, {"resourceType": "OperationOutcome", "issue": [issue]}
        body = json.dumps(answer).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Say nothing."""
