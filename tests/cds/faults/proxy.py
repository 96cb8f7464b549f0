"""A proxy in front of the FHIR server that breaks what passes, in the way that it was last told.

Run as ``python -m tests.cds.faults.proxy PORT``; prints its own port. ``PUT /-/fault/NAME`` sets the fault, ``GET /-/seen``
tells the requests that came, with their headers, and how many were there at once.
"""

from __future__ import annotations

import gzip
import json
import socket
import struct
import sys
import threading
import time
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler
from typing import Any

from tests.cds.faults.fhir_server import Quiet

FAULTS = (
    "none",
    "slow",
    "drip",
    "reset",
    "500",
    "503_once",
    "429",
    "401",
    "404",
    "redirect",
    "redirect_elsewhere",
    "truncated",
    "wrong_json",
    "duplicate_key",
    "not_a_number",
    "other_resource",
    "array",
    "html",
    "not_http",
    "endless_paging",
    "paging_in_a_circle",
    "next_page_elsewhere",
    "huge",
    "gzip_bomb",
    "deep",
)
state: dict[str, Any] = {"fault": "none", "count": 0, "seen": [], "now": 0, "most_at_once": 0}
lock = threading.Lock()


class Handler(BaseHTTPRequestHandler):
    """Passes GET and POST on to the server and breaks the answer."""

    protocol_version = "HTTP/1.1"
    upstream = 0

    def do_PUT(self) -> None:
        fault = self.path.rpartition("/")[2]
        state.update(fault=fault, count=0, seen=[], most_at_once=0)
        self._send(200 if fault in FAULTS else 400, b"{}")

    def do_GET(self) -> None:
        if self.path == "/-/seen":
            self._send(200, json.dumps({"requests": state["seen"], "most_at_once": state["most_at_once"]}).encode())
            return
        self._pass_on(None)

    def do_POST(self) -> None:
        self._pass_on(self.rfile.read(int(self.headers.get("Content-Length", "0"))))

    def _pass_on(self, sent: bytes | None) -> None:
        state["count"] += 1
        headers = {k.lower(): v for k, v in self.headers.items()}
        state["seen"].append({"method": self.command, "path": self.path, "headers": headers})
        with lock:
            state["now"] += 1
            state["most_at_once"] = max(state["most_at_once"], state["now"])
        try:
            status, body = self._upstream(sent)
        finally:
            with lock:
                state["now"] -= 1
        breaking = getattr(self, f"_fault_{state['fault']}", None)
        if breaking is None:
            self._send(status, body)
        else:
            breaking(status, body)

    def _upstream(self, sent: bytes | None) -> tuple[int, bytes]:
        if state["fault"] == "none":
            time.sleep(0.02)  # Long enough for calls at the same time to meet.
        connection = HTTPConnection("127.0.0.1", self.upstream, timeout=5)
        headers = {"X-Forwarded-Host": self.headers["Host"]}
        headers |= {name: self.headers[name] for name in ("Authorization", "Content-Type") if name in self.headers}
        connection.request(self.command, self.path, body=sent, headers=headers)
        answer = connection.getresponse()
        try:
            return answer.status, answer.read()
        finally:
            connection.close()

    def _send(self, status: int, body: bytes, **headers: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", headers.pop("content_type", "application/fhir+json"))
        self.send_header("Content-Length", headers.pop("content_length", str(len(body))))
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body)

    def _fault_slow(self, status: int, body: bytes) -> None:
        time.sleep(3)
        self._send(status, body)

    def _fault_drip(self, status: int, body: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        for byte in body[:60]:
            self.wfile.write(bytes([byte]))
            self.wfile.flush()
            time.sleep(0.05)
        self.close_connection = True

    def _fault_reset(self, status: int, body: bytes) -> None:
        # Closed with unsent data forbidden to linger, the kernel sends RST.
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()
        self.close_connection = True

    def _fault_500(self, status: int, body: bytes) -> None:
        self._send(500, b"{}")

    def _fault_503_once(self, status: int, body: bytes) -> None:
        if state["count"] == 1:
            self._send(503, b"{}")
        else:
            self._send(status, body)

    def _fault_429(self, status: int, body: bytes) -> None:
        self._send(429, b"{}")

    def _fault_401(self, status: int, body: bytes) -> None:
        self._send(401, b"{}")

    def _fault_404(self, status: int, body: bytes) -> None:
        self._send(404, b"{}")

    def _fault_redirect(self, status: int, body: bytes) -> None:
        self._send(302, b"", location=f"{self.path}&again=1")

    def _fault_redirect_elsewhere(self, status: int, body: bytes) -> None:
        self._send(307, b"", location="http://127.0.0.1:9/steal")

    def _fault_truncated(self, status: int, body: bytes) -> None:
        self._send(status, body[: len(body) // 2], content_length=str(len(body)))
        self.close_connection = True

    def _fault_wrong_json(self, status: int, body: bytes) -> None:
        self._send(status, body[:-2])

    def _fault_duplicate_key(self, status: int, body: bytes) -> None:
        self._send(status, b'{"resourceType": "Patient", ' + body.lstrip()[1:])

    def _fault_not_a_number(self, status: int, body: bytes) -> None:
        self._send(status, b'{"resourceType": "Bundle", "total": NaN}')

    def _fault_other_resource(self, status: int, body: bytes) -> None:
        self._send(status, b'{"resourceType": "Patient", "id": "somebody-else"}')

    def _fault_array(self, status: int, body: bytes) -> None:
        self._send(status, b"[1, 2, 3]")

    def _fault_html(self, status: int, body: bytes) -> None:
        self._send(200, b"<html>Please log in</html>", content_type="text/html")

    def _fault_not_http(self, status: int, body: bytes) -> None:
        self.wfile.write(b"\x00\x01\x02 this is not HTTP\r\n\r\n")
        self.close_connection = True

    def _bundle(self, url: str) -> bytes:
        link = [{"relation": "next", "url": url}]
        return json.dumps({"resourceType": "Bundle", "type": "searchset", "entry": [], "link": link}).encode()

    def _fault_endless_paging(self, status: int, body: bytes) -> None:
        self._send(200, self._bundle(f"http://{self.headers['Host']}/fhir/Observation?page={state['count']}"))

    def _fault_paging_in_a_circle(self, status: int, body: bytes) -> None:
        self._send(200, self._bundle(f"http://{self.headers['Host']}/fhir/Observation?page=1"))

    def _fault_next_page_elsewhere(self, status: int, body: bytes) -> None:
        self._send(200, self._bundle("http://127.0.0.1:9/fhir/Observation?page=2"))

    def _fault_huge(self, status: int, body: bytes) -> None:
        self.send_response(200)
        self.send_header("Content-Length", str(10**9))
        self.end_headers()
        try:
            for _ in range(1000):
                self.wfile.write(b" " * 1_000_000)
        except OSError:
            pass  # The client hung up, which is what it should do.
        self.close_connection = True

    def _fault_gzip_bomb(self, status: int, body: bytes) -> None:
        self._send(200, gzip.compress(b" " * 100_000_000), content_encoding="gzip")

    def _fault_deep(self, status: int, body: bytes) -> None:
        self._send(200, b'{"a":' * 100_000 + b"1" + b"}" * 100_000)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


if __name__ == "__main__":
    Handler.upstream = int(sys.argv[1])
    server = Quiet(("127.0.0.1", 0), Handler)
    print(server.server_port, flush=True)
    sys.exit(server.serve_forever())
