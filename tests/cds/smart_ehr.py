"""An EHR of an invented hospital for SMART App Launch: it authorises by PKCE, gives one token, and answers as a FHIR server.

Checks what a client sends as SMART App Launch 2.0 (https://hl7.org/fhir/smart-app-launch/app-launch.html) and RFC 7636 ask.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from tests.cds.faults.fhir_server import PATIENT, TOKEN, Handler

CLIENT, LAUNCH = "nuque-at-hollowmere", "launch-context-1"


@dataclass
class Ehr:
    """Where it answers, what it was asked, and what it puts into its token."""

    url: str = ""
    asked: list[dict[str, str]] = field(default_factory=list)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    token: dict[str, Any] = field(default_factory=dict)
    configuration: dict[str, Any] = field(default_factory=dict)

    @property
    def iss(self) -> str:
        return f"{self.url}/fhir"

    def authorise(self, asked: dict[str, str]) -> str:
        """Where the browser is sent after somebody signed in."""
        assert asked["response_type"] == "code" and asked["client_id"] == CLIENT
        assert asked["aud"] == self.iss and asked["code_challenge_method"] == "S256"
        assert len(asked["state"]) >= 22, "SMART asks for at least 122 bits"
        scopes = asked["scope"].split()
        assert ("launch" in scopes) == ("launch" in asked) and ("launch/patient" in scopes) != ("launch" in asked)
        assert all(scope.rpartition(".")[2] in ("r", "rs") for scope in scopes if scope.startswith("patient/"))
        self.asked.append(asked)
        code = secrets.token_urlsafe(16)
        self.codes[code] = asked
        return f"{asked['redirect_uri']}?{urlencode({'code': code, 'state': asked['state']})}"

    def grant(self, sent: dict[str, str]) -> tuple[int, dict[str, Any]]:
        """The answer of the token endpoint."""
        asked = self.codes.pop(sent.get("code", ""), None)
        digest = hashlib.sha256(sent.get("code_verifier", "").encode()).digest()
        challenge = base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
        if asked is None or challenge != asked["code_challenge"] or sent.get("client_id") != CLIENT:
            return 400, {"error": "invalid_grant"}
        assert sent["redirect_uri"] == asked["redirect_uri"] and sent["grant_type"] == "authorization_code"
        return 200, self.token


@contextmanager
def running() -> Iterator[Ehr]:
    """The EHR on a free port of this machine, until the end of the block."""
    ehr = Ehr()

    class WithLaunch(Handler):
        def do_GET(self) -> None:
            url = urlsplit(self.path)
            if url.path == "/fhir/.well-known/smart-configuration":
                self._answer(200, ehr.configuration)
            elif url.path == "/authorize":
                self.send_response(302)
                self.send_header("Location", ehr.authorise({k: v[0] for k, v in parse_qs(url.query).items()}))
                self.send_header("Content-Length", "0")
                self.end_headers()
            else:
                super().do_GET()

        def do_POST(self) -> None:
            if self.path != "/token":
                super().do_POST()
                return
            sent = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
            status, body = ehr.grant({name: values[0] for name, values in sent.items()})
            content = json.dumps(body).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

    server = ThreadingHTTPServer(("127.0.0.1", 0), WithLaunch)
    ehr.url = f"http://127.0.0.1:{server.server_address[1]}"
    ehr.token = {
        "access_token": TOKEN,
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "launch patient/Observation.rs",
        "patient": PATIENT,
        "encounter": "invented-1",
    }
    ehr.configuration = {
        "authorization_endpoint": f"{ehr.url}/authorize",
        "token_endpoint": f"{ehr.url}/token",
        "capabilities": ["launch-ehr", "launch-standalone", "client-public", "context-ehr-patient"],
        "code_challenge_methods_supported": ["S256"],
    }
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield ehr
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
