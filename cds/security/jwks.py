"""Key sets of clients (JWKS): from a file or from a listed URL, cached, and fetched again no more often than is set."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, KeySet, RSAKey

from cds import strict_json
from cds.security.ssrf_guard import (
    AnswerTooLong,
    Network,
    Origin,
    PinnedTransport,
    ReachError,
    Resolver,
    read_bounded,
    resolve,
)
from cds.settings import TrustSettings
from rules.errors import NuqueError

_LONGEST_SET = 262_144
_FETCH_SECONDS = 3.0
_SMALLEST_RSA_BITS = 2048
_BROKEN_KEY = (ValueError, TypeError, KeyError, AttributeError, JoseError)
"""What the library raises for a key that it does not know or cannot read."""


class KeySetError(NuqueError):
    """A key set cannot be had or cannot be used."""


def usable_keys(content: bytes) -> dict[str, Key]:
    """The signature keys of the JWKS ``content`` by key id: elliptic curve, and RSA of at least 2048 bits. Raises KeySetError.

    A key of a kind that is not known here is left out (RFC 7517, section 5), and the others stay in use.
    """
    try:
        listed = strict_json.parse(content)["keys"]
    except (ValueError, TypeError, KeyError) as error:
        raise KeySetError(f"not a usable key set: {type(error).__name__}") from error
    found: dict[str, Key] = {}
    for key in _known_kinds(listed if isinstance(listed, list) else []):
        use = key.get("use")
        if key.kid is None or use not in (None, "sig") or not isinstance(key, (ECKey, RSAKey)):
            continue
        public = key.public_key
        if isinstance(public, RSAPublicKey) and public.key_size < _SMALLEST_RSA_BITS:
            continue
        if key.kid in found:
            raise KeySetError("two keys have the same key id")
        found[key.kid] = key
    if not found:
        raise KeySetError("no signature key with a key id (elliptic curve, or RSA of at least 2048 bits)")
    return found


def _known_kinds(listed: list[Any]) -> Iterator[Key]:
    for one in listed:
        try:
            yield from KeySet.import_key_set({"keys": [one]}).keys
        except _BROKEN_KEY:
            continue


class FileKeys:
    """The key set in a file, read once."""

    def __init__(self, path: Path) -> None:
        """Read ``path``. Raises KeySetError."""
        try:
            self._keys = usable_keys(path.read_bytes())
        except OSError as error:
            raise KeySetError(f"{path}: cannot be read: {error.strerror}") from error
        except KeySetError as error:
            raise KeySetError(f"{path}: {error}") from error

    async def find(self, kid: str) -> Key | None:
        """The key called ``kid``, or None."""
        return self._keys.get(kid)

    @property
    def fetched(self) -> bool:
        """Whether keys are at hand."""
        return True

    async def aclose(self) -> None:
        """Nothing is open."""


class FetchedKeys:
    """The key set at a URL.

    An unknown key id causes a fetch at most once in ``keys_refresh_seconds``, so made-up key ids cannot be used to hammer
    the client's server. While the set cannot be fetched the old one is used up to ``keys_longest_seconds``.
    """

    def __init__(
        self,
        url: str,
        settings: TrustSettings,
        private: tuple[Network, ...],
        *,
        clock: Callable[[], float] = time.monotonic,
        resolver: Resolver = resolve,
    ) -> None:
        """Use the key set at ``url``; nothing is fetched yet."""
        self.url = url
        self._settings = settings
        self._clock = clock
        self._client = httpx.AsyncClient(
            transport=PinnedTransport(Origin.of(url), private, resolver=resolver),
            timeout=_FETCH_SECONDS,
            trust_env=False,
            headers={"accept": "application/json", "accept-encoding": "identity"},
        )
        self._lock = asyncio.Lock()
        self._keys: dict[str, Key] = {}
        self._fetched_at: float | None = None
        self._tried_at: float | None = None
        self.problem: str | None = None

    @property
    def fetched(self) -> bool:
        """Whether keys are at hand and young enough."""
        return self._fetched_at is not None and self._age(self._fetched_at) <= self._settings.keys_longest_seconds

    async def find(self, kid: str) -> Key | None:
        """The key called ``kid``, or None. Raises KeySetError where no key set is at hand."""
        if self._must_fetch(kid):
            async with self._lock:
                # Whoever waited here may find the work done.
                if self._must_fetch(kid):
                    await self._fetch()
        if not self.fetched:
            raise KeySetError(f"the key set at {Origin.of(self.url)} cannot be had: {self.problem}")
        return self._keys.get(kid)

    async def refresh(self) -> None:
        """Fetch now unless it was tried a moment ago (used at start, so that ``ready`` is true early)."""
        async with self._lock:
            if self._may_try():
                await self._fetch()

    def _age(self, then: float) -> float:
        return self._clock() - then

    def _may_try(self) -> bool:
        return self._tried_at is None or self._age(self._tried_at) >= self._settings.keys_refresh_seconds

    def _must_fetch(self, kid: str) -> bool:
        old = self._fetched_at is None or self._age(self._fetched_at) > self._settings.keys_cache_seconds
        return (old or kid not in self._keys) and self._may_try()

    async def _fetch(self) -> None:
        try:
            async with asyncio.timeout(_FETCH_SECONDS), self._client.stream("GET", self.url) as response:
                if response.status_code != 200:
                    raise KeySetError(f"answered {response.status_code}")
                self._keys = usable_keys(await read_bounded(response, _LONGEST_SET))
        except (httpx.HTTPError, TimeoutError) as error:
            self.problem = f"no answer ({type(error).__name__})"
        except (KeySetError, ReachError, AnswerTooLong) as error:
            self.problem = str(error)
        else:
            self._fetched_at, self.problem = self._clock(), None
        finally:
            # Only now: until then whoever needs the set waits for this fetch instead of going without.
            self._tried_at = self._clock()

    async def aclose(self) -> None:
        """Close the connections."""
        await self._client.aclose()
