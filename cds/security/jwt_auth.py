"""Who may call: the signed token of CDS Hooks, checked against what the site listed.

Follows the section "Trusting CDS Clients" of HL7 CDS Hooks 2.0: a JWT for each call, signed by the client, made for the very
URL that is called, short-lived and used once. What the standard leaves open is closed here: signatures are ES384 and RS384
unless the site adds ES256 or RS256, and a key is only ever looked up in the key sets that the site listed for that client.
"""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import time
from collections.abc import Callable, Collection
from typing import Any, Protocol, TypeAlias, TypeGuard

from joserfc import jws, jwt
from joserfc.errors import JoseError
from joserfc.jwk import Key

from cds import strict_json
from cds.security.caller import Caller, HttpCall, NotTrusted
from cds.security.clients import Client, ClientsError, read_clients
from cds.security.jwks import FetchedKeys, FileKeys, KeySetError
from cds.security.loopback_guard import TrustSettingsError, check_local, is_loopback
from cds.security.ssrf_guard import Network, Origin, ReachError, Resolver, listed_networks, resolve
from cds.settings import TrustSettings

SIGNATURES = ("ES384", "RS384", "ES256", "RS256")
"""Every signature algorithm that a site may choose. No symmetric one: the verifier could then sign. Never ``none``."""

_LONGEST_TOKEN = 8192
_LONGEST_NAME = 512
Keys: TypeAlias = FetchedKeys | FileKeys


class _Headers(jws.JWSRegistry):
    """Which headers are read: any, as JOSE has it; what is not understood is ignored unless ``crit`` names it (RFC 7515, 4).

    So a header may bring a key along (``jwk``, ``x5c``, ``x5u``): nobody looks at it.
    """

    max_header_length = _LONGEST_TOKEN

    def __init__(self, algorithms: Collection[str] | None = None) -> None:
        super().__init__(algorithms=algorithms, strict_check_header=False)


class ReplayMemory(Protocol):
    """Remembers tokens that were used."""

    async def first_use(self, digest: str, expires_at: float) -> bool:
        """Remember ``digest`` until ``expires_at`` (seconds since 1970); False where it was known already."""
        ...


class Trust:
    """Decides whether a call may be answered."""

    def __init__(
        self,
        settings: TrustSettings,
        replay: ReplayMemory,
        *,
        public_url: str | None = None,
        private_networks: tuple[Network, ...] = (),
        now: Callable[[], float] = time.time,
        resolver: Resolver = resolve,
    ) -> None:
        """Read the clients file. Raises TrustSettingsError or ClientsError."""
        self._settings = settings
        self._replay = replay
        self._now = now
        self.mode = settings.trust
        self.clients: dict[str, Client] = {}
        self._keys: dict[str, dict[str, Keys]] = {}
        self._proxies = listed_networks(settings.trusted_proxies, "NUQUE_TRUSTED_PROXIES")
        self._headers = _Headers(settings.algorithms)
        self._audiences = settings.audiences or ((public_url,) if public_url else ())
        if settings.trust != "open":
            self._prepare(private_networks, resolver)
        elif settings.clients is not None:
            # Whoever lists clients means to ask for tokens; a proxy on this machine would let the network in.
            raise TrustSettingsError(
                "NUQUE_CLIENTS: nobody is asked for a token while NUQUE_TRUST is 'open'; set NUQUE_TRUST=jwt"
            )

    def _prepare(self, private: tuple[Network, ...], resolver: Resolver) -> None:
        wrong = [name for name in self._settings.algorithms if name not in SIGNATURES]
        if wrong or not self._settings.algorithms:
            found = ", ".join(wrong) or "none named"
            raise TrustSettingsError(f"NUQUE_ALGORITHMS: {found}: expected some of {', '.join(SIGNATURES)}")
        if self._settings.clients is None:
            raise TrustSettingsError("NUQUE_CLIENTS: name the file of clients that may call, or set NUQUE_TRUST=open")
        if not self._audiences:
            raise TrustSettingsError("NUQUE_AUDIENCES: give the address of this service as its clients call it")
        if self.mode == "jwt+mtls-header" and not self._proxies:
            raise TrustSettingsError("NUQUE_TRUSTED_PROXIES: name the networks of the proxies that check certificates")
        if self._settings.page_user_header is not None and not self._proxies:
            raise TrustSettingsError("NUQUE_TRUSTED_PROXIES: name the networks of the proxies that sign users in")
        self.clients = read_clients(self._settings.clients)
        for client in self.clients.values():
            if self.mode == "jwt+mtls-header" and client.certificate is None:
                raise ClientsError(f"{client.iss}: certificate: needed while NUQUE_TRUST is 'jwt+mtls-header'")
            self._keys[client.iss] = self._key_sets(client, private, resolver)

    def _key_sets(self, client: Client, private: tuple[Network, ...], resolver: Resolver) -> dict[str, Keys]:
        try:
            if client.keys_file is not None:
                # What a token may say of its key set; the file is that set, and nothing is fetched.
                held = FileKeys(client.keys_file)
                return {url: held for url in client.jku} or {"": held}
            for origin in map(Origin.of, client.jku):
                if origin.scheme != "https" and not is_loopback(origin.host):
                    raise ClientsError(f"{client.iss}: jku: {origin}: keys are fetched by https only (RFC 7515, 4.1.2)")
            return {url: FetchedKeys(url, self._settings, private, resolver=resolver) for url in client.jku}
        except (KeySetError, ReachError) as error:
            raise ClientsError(f"{client.iss}: {error}") from error

    async def start(self) -> None:
        """Fetch the key sets, so that the first call need not wait. What fails is tried again when a call needs it."""
        for keys in self._all_keys():
            if isinstance(keys, FetchedKeys):
                await keys.refresh()

    def missing_key_sets(self) -> list[str]:
        """Where key sets are that are not at hand, as origins (for readiness)."""
        return [str(Origin.of(k.url)) for k in self._all_keys() if isinstance(k, FetchedKeys) and not k.fetched]

    def _all_keys(self) -> list[Keys]:
        return [keys for sets in self._keys.values() for keys in sets.values()]

    async def aclose(self) -> None:
        """Close connections to key sets."""
        for keys in self._all_keys():
            await keys.aclose()

    async def check(self, call: HttpCall) -> Caller:
        """Who makes the ``call``. Raises NotTrusted."""
        if self.mode == "open":
            check_local(call)
            return Caller("open")
        token = self._bearer(call)
        header, client = self._read(token)
        self._check_certificate(call, client)
        key = await self._key(header, client)
        claims = self._verified(token, key)
        tenant = self._check_claims(claims, call, client)
        await self._check_first_use(claims)
        return Caller(client.iss, tenant, client)

    def check_page(self, call: HttpCall) -> Caller:
        """Who opens a page by ``call``: this machine in open mode, else whom the site's proxy has signed in. Raises NotTrusted."""
        if self.mode == "open":
            check_local(call)
            return Caller("open")
        name = self._settings.page_user_header
        if name is None:
            raise NotTrusted(
                403,
                "page",
                "Open Nuque from the patient's chart. If the chart does not offer it, ask the IT service desk to set up "
                "who may open its pages.",
            )
        if call.peer is None or not _in_networks(call.peer, self._proxies) or not call.one(name):
            raise NotTrusted(
                403,
                "page",
                "Open this page through the hospital's portal, signed in; if you are, ask the IT service desk.",
            )
        return Caller("page")

    def _bearer(self, call: HttpCall) -> str:
        value = call.one("authorization")
        if value is None:
            raise NotTrusted(401, "no_token", "Authorization: send a signed token (JWT) as 'Bearer'")
        scheme, _, token = value.partition(" ")
        if scheme.lower() != "bearer" or not token or " " in token:
            raise NotTrusted(401, "no_token", "Authorization: expected 'Bearer' and a signed token (JWT)")
        if len(token) > _LONGEST_TOKEN or not token.isascii():
            raise NotTrusted(
                401, "token_shape", f"the token is longer than {_LONGEST_TOKEN} characters or not plain ASCII"
            )
        return token

    def _read(self, token: str) -> tuple[dict[str, Any], Client]:
        """The header and the client that the token claims to come from; nothing is proved yet."""
        try:
            _check_strict(token)
            sent = jws.extract_compact(token.encode("ascii"), registry=self._headers)
            header = sent.headers()
            claims = _claims(sent.payload)
        except (JoseError, ValueError, TypeError, KeyError, AttributeError) as error:
            raise NotTrusted(401, "token_shape", "the token is not a signed JWT in compact form") from error
        if header.get("alg") not in self._settings.algorithms:
            allowed = ", ".join(self._settings.algorithms)
            raise NotTrusted(401, "algorithm", f"the token's alg is not accepted; use {allowed}")
        if not isinstance(header.get("typ"), str) or header["typ"].upper() != "JWT":
            raise NotTrusted(401, "token_type", "the token's typ must be JWT")
        if not _is_name(header.get("kid")):
            raise NotTrusted(401, "no_key_id", "the token's header must name its key (kid)")
        if "crit" in header:
            raise NotTrusted(401, "crit", "the token's header asks (crit) for an extension that is not understood here")
        issuer = claims.get("iss")
        client = self.clients.get(issuer) if isinstance(issuer, str) else None
        if client is None:
            raise NotTrusted(401, "issuer", "the token's iss is not a client of this service")
        return header, client

    def _check_certificate(self, call: HttpCall, client: Client) -> None:
        if self.mode != "jwt+mtls-header":
            return
        name = self._settings.certificate_header
        if call.peer is None or not _in_networks(call.peer, self._proxies):
            raise NotTrusted(401, "proxy", "the call did not come through the proxy that checks client certificates")
        if call.one(name) != client.certificate:
            raise NotTrusted(401, "certificate", f"{name}: not the client certificate that belongs to the token's iss")

    async def _key(self, header: dict[str, Any], client: Client) -> Key:
        sets = self._keys[client.iss]
        jku = header.get("jku")
        if jku is not None:
            if not isinstance(jku, str) or jku not in sets:
                raise NotTrusted(
                    401, "jku", "the token's jku is not listed for this client; list it, also beside a keys_file"
                )
            sets = {jku: sets[jku]}
        unavailable = None
        for keys in sets.values():
            try:
                key = await keys.find(header["kid"])
            except KeySetError as error:
                unavailable = error
                continue
            if key is not None:
                return key
        if unavailable is not None:
            raise NotTrusted(503, "key_set", str(unavailable), retry_after=self._settings.keys_refresh_seconds)
        raise NotTrusted(401, "key", "the token's kid is not in the key set of this client")

    def _verified(self, token: str, key: Key) -> dict[str, Any]:
        try:
            return dict(jwt.decode(token, key, registry=self._headers).claims)
        except (JoseError, ValueError, TypeError) as error:
            raise NotTrusted(401, "signature", "the token's signature does not hold") from error

    def _check_claims(self, claims: dict[str, Any], call: HttpCall, client: Client) -> str | None:
        audience = claims.get("aud")
        named = audience if isinstance(audience, list) else [audience]
        expected = {base.rstrip("/") + call.path for base in self._audiences}
        if not expected & {name for name in named if isinstance(name, str)}:
            wanted = " or ".join(sorted(expected))[:_LONGEST_NAME]
            raise NotTrusted(401, "audience", f"the token's aud is not the URL that was called, which is {wanted}")
        self._check_times(claims)
        if not _is_name(claims.get("jti")):
            raise NotTrusted(401, "no_jti", "the token must carry a jti, a text that is used once")
        return self._tenant(claims.get("tenant"), client)

    def _tenant(self, named: object, client: Client) -> str | None:
        """The tenant that is called for: one of those listed; where none is, none, or any that the settings let through."""
        if named is None and not client.tenants:
            return None
        if isinstance(named, str) and named in client.tenants:
            return named
        if client.tenants:
            raise NotTrusted(403, "tenant", "the token must name one of the tenants that are listed for this client")
        if self._settings.unlisted_tenants == "refuse":
            raise NotTrusted(403, "tenant", "the token's tenant is not listed for this client")
        if not isinstance(named, str) or not _is_name(named):
            raise NotTrusted(403, "tenant", f"the token's tenant must be a text of 1 to {_LONGEST_NAME} characters")
        return named

    def _check_times(self, claims: dict[str, Any]) -> None:
        expires, issued, skew, now = (
            claims.get("exp"),
            claims.get("iat"),
            self._settings.clock_skew_seconds,
            self._now(),
        )
        if not _is_time(expires) or not _is_time(issued):
            raise NotTrusted(401, "no_times", "the token must carry exp and iat, in seconds since 1970")
        if now > expires + skew:
            raise NotTrusted(401, "expired", "the token has expired")
        if issued > now + skew:
            raise NotTrusted(401, "not_yet", "the token was issued in the future; set the clocks right")
        not_before = claims.get("nbf", issued)
        if not _is_time(not_before) or not_before > now + skew:
            raise NotTrusted(401, "not_yet", "the token is not valid yet (nbf)")
        if not 0 < expires - issued <= self._settings.token_lifetime_seconds:
            most = self._settings.token_lifetime_seconds
            raise NotTrusted(
                401, "lifetime", f"the token must live for more than 0 and at most {most} seconds (iat to exp)"
            )

    async def _check_first_use(self, claims: dict[str, Any]) -> None:
        # Hashed: the store keeps no text of the client's choosing, and a digest has one length.
        text = f"{claims['iss']}\0{claims['jti']}"
        digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
        # Until it would be refused as expired anyway, skew included, and a little longer for rounding.
        if not await self._replay.first_use(digest, claims["exp"] + self._settings.clock_skew_seconds + 1):
            raise NotTrusted(401, "replay", "the token was used before; make a new one for each call")


def _check_strict(token: str) -> None:
    """Refuse a header in which a key stands twice, which two readers could read as two, or one nested without end.

    Raises ValueError.
    """
    first = token.partition(".")[0]
    strict_json.parse(base64.urlsafe_b64decode(first + "=" * (-len(first) % 4)))


def _claims(payload: bytes) -> dict[str, Any]:
    """The claims, unverified: only to find out whose key must verify them."""
    claims = strict_json.parse(payload)
    if not isinstance(claims, dict):
        raise ValueError("claims are not an object")
    return claims


def _is_name(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= _LONGEST_NAME


def _is_time(value: object) -> TypeGuard[float]:
    # Not bool, which is an int; and finite, as NaN compares false with everything.
    return isinstance(value, (int, float)) and not isinstance(value, bool) and 0 <= value < 1e11


def _in_networks(host: str, networks: tuple[Network, ...]) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return any(address.version == network.version and address in network for network in networks)
