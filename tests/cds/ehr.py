"""An invented EHR: its keys, the tokens that it signs, and the clients file of a site that lets it call."""

from __future__ import annotations

import base64
import hmac
import json
import uuid
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA384
from joserfc import jws
from joserfc.jwk import ECKey, Key, RSAKey

from cds.security.caller import HttpCall
from cds.security.clients import Client
from cds.security.jwt_auth import Trust
from cds.settings import TrustSettings

ISS = "https://ehr.hospital.example"
BASE = "https://cds.hospital.example"
PATH = "/cds-services/collar-order-sign"
NOW = 1_800_000_000.0

EC384 = ECKey.generate_key("P-384", {"kid": "ec384", "use": "sig"})
RSA = RSAKey.generate_key(2048, {"kid": "rsa", "use": "sig"})
EC256 = ECKey.generate_key("P-256", {"kid": "ec256", "use": "sig"})
STRANGER = ECKey.generate_key("P-384", {"kid": "ec384", "use": "sig"})
KEYS = (EC384, RSA, EC256)


class Remembered:
    """Replay memory of one test."""

    def __init__(self) -> None:
        self.seen: dict[str, float] = {}

    async def first_use(self, digest: str, expires_at: float) -> bool:
        new = digest not in self.seen
        self.seen[digest] = expires_at
        return new


def key_set(*keys: Key) -> str:
    return json.dumps({"keys": [key.as_dict(private=False) for key in keys]})


def claims(**changed: Any) -> dict[str, Any]:
    made = {"iss": ISS, "aud": BASE + PATH, "iat": NOW, "exp": NOW + 120, "jti": str(uuid.uuid4()), **changed}
    return {name: value for name, value in made.items() if value is not None}


def token(
    payload: dict[str, Any] | None = None, *, key: Key = EC384, alg: str = "ES384", header: dict[str, Any] | None = None
) -> str:
    head = {"alg": alg, "typ": "JWT", "kid": key.kid, **(header or {})}
    head = {name: value for name, value in head.items() if value is not None}
    registry = jws.JWSRegistry(strict_check_header=False, algorithms=[alg])
    return jws.serialize_compact(head, json.dumps(payload or claims()).encode(), key, registry=registry)


def token_with_a_key_twice(payload: dict[str, Any]) -> str:
    """A token with a signature that holds, whose header names its key twice."""
    return _signed('{"alg":"ES384","typ":"JWT","kid":"another","kid":"ec384"}', payload)


def with_header(payload: dict[str, Any] | None = None, **header: Any) -> str:
    """A token with a signature that holds over whatever stands in its header; no library would sign some of it."""
    return _signed(json.dumps({"alg": "ES384", "typ": "JWT", "kid": "ec384", **header}), payload or claims())


def _signed(header: str, payload: dict[str, Any]) -> str:
    signed = f"{encoded(header)}.{encoded(json.dumps(payload))}"
    key = EC384.get_op_key("sign")
    r, s = decode_dss_signature(key.sign(signed.encode(), ECDSA(SHA384())))
    signature = base64.urlsafe_b64encode(r.to_bytes(48, "big") + s.to_bytes(48, "big")).rstrip(b"=").decode()
    return f"{signed}.{signature}"


def encoded(text: str) -> str:
    """``text`` as a part of a token."""
    return base64.urlsafe_b64encode(text.encode("utf-8", "surrogatepass")).rstrip(b"=").decode()


def unsigned(
    payload: dict[str, Any] | None = None, alg: str = "none", signature: str = "", claims_text: str | None = None
) -> str:
    header = json.dumps({"alg": alg, "typ": "JWT", "kid": "ec384"})
    return f"{encoded(header)}.{encoded(claims_text or json.dumps(payload or claims()))}.{signature}"


def signed_with_the_public_key_as_secret(payload: dict[str, Any] | None = None) -> str:
    """The classic confusion: the verifier's public key, known to all, used as an HMAC secret."""
    signed = unsigned(payload, alg="HS256").rpartition(".")[0]
    secret = EC384.as_pem(private=False)
    signature = base64.urlsafe_b64encode(hmac.digest(secret, signed.encode(), "sha256")).rstrip(b"=").decode()
    return f"{signed}.{signature}"


def call(bearer: str | None, path: str = PATH, peer: str | None = None, **headers: str) -> HttpCall:
    sent = {name.replace("_", "-"): [value] for name, value in headers.items()}
    if bearer is not None:
        sent["authorization"] = [f"Bearer {bearer}"]
    return HttpCall(path, sent, peer=peer)


def clients_file(folder: Path, *, keys: tuple[Key, ...] = KEYS, **fields: Any) -> Path:
    """A clients file that lets the EHR in with ``keys`` from a file; ``fields`` of the client are added or changed."""
    jwks = folder / "keys.json"
    jwks.write_text(key_set(*keys))
    client = {"iss": ISS, "keys_file": str(jwks), **fields}
    Client.model_validate(client)
    path = folder / "clients.yaml"
    path.write_text(json.dumps({"clients": [{k: v for k, v in client.items() if v is not None}]}))  # JSON is YAML.
    return path


def trust(
    folder: Path,
    *,
    replay: Remembered | None = None,
    client: dict[str, Any] | None = None,
    now: float = NOW,
    **given: Any,
) -> Trust:
    settings = TrustSettings(
        **{"trust": "jwt", "clients": clients_file(folder, **(client or {})), "audiences": (BASE,), **given}
    )
    return Trust(settings, replay or Remembered(), now=lambda: now)
