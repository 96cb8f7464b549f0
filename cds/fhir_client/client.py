"""Reads from the client's FHIR server what the prefetch lacked.

The caller names the server, so it is only read if the site listed it; the caller's access token goes to that server and
nowhere else: no redirect is followed, and a next page is only read from the same server. What could not be read is said, in
words without path, query or token.
"""

from __future__ import annotations

import asyncio
import random
import re
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import parse_qsl, unquote

import httpx

from cds import strict_json
from cds.fhir_client.circuit_breaker import Breaker, Breakers
from cds.protocol.prefetch import LONGEST_QUERY, Fetched, octets
from cds.protocol.request import HookRequest
from cds.security.caller import current_caller
from cds.security.clients import Client, ClientsError
from cds.security.ssrf_guard import (
    AnswerTooLong,
    Origin,
    PinnedTransport,
    ReachError,
    Resolver,
    listed_networks,
    listed_origins,
    read_bounded,
    resolve,
)
from cds.settings import ReachSettings
from rules.errors import NuqueError

_WORTH_A_SECOND_TRY = frozenset({429, 502, 503, 504})
_TRIES = 2
_SENDABLE_TOKEN = re.compile(r"[!-~]+")
_OURS = (httpx.LocalProtocolError, httpx.UnsupportedProtocol, httpx.PoolTimeout)
"""Failures that say nothing of the server: it was not asked, or not in a way that it could answer."""


class ReadFailed(NuqueError):
    """One query could not be answered; the message says why, fit for a card."""

    def __init__(self, message: str, *, again: bool = False, server_fault: bool = False) -> None:
        """Fail because of ``message``; ``again``: a second try may help; ``server_fault``: counts for the breaker."""
        self.again, self.server_fault = again, server_fault
        super().__init__(message)


class _Server:
    """One listed server: its connections, and a queue for each client, so that nobody waits for what another has read."""

    def __init__(self, origin: Origin, settings: ReachSettings, resolver: Resolver) -> None:
        self._at_once = settings.fetch_concurrency
        self._turns: dict[str, asyncio.Semaphore] = {}
        private = listed_networks(settings.private_networks, "NUQUE_PRIVATE_NETWORKS")
        self.client = httpx.AsyncClient(
            transport=PinnedTransport(origin, private, resolver=resolver, most_connections=None),
            timeout=settings.fetch_budget_seconds,
            follow_redirects=False,
            trust_env=False,
            headers={"accept": "application/fhir+json", "accept-encoding": "identity", "user-agent": "nuque"},
        )

    def turn(self, client: str) -> asyncio.Semaphore:
        """What a query of ``client`` (its ``iss``, so there are few) has to hold while it is asked."""
        return self._turns.setdefault(client, asyncio.Semaphore(self._at_once))


class FhirClient:
    """The ``Fetcher`` of a service that may read from FHIR servers."""

    def __init__(
        self,
        settings: ReachSettings,
        *,
        resolver: Resolver = resolve,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Read from the servers in ``settings``. Raises ReachError where an entry is not a server or a network."""
        self._settings = settings
        self._servers = {
            origin: _Server(origin, settings, resolver)
            for origin in listed_origins(settings.fhir_servers, "NUQUE_FHIR_SERVERS")
        }
        self._breakers = Breakers(settings.breaker_failures, settings.breaker_seconds, clock)

    def check_narrowed(self, clients: Iterable[Client]) -> None:
        """Raises ClientsError where one of ``clients`` is kept to a server that is not listed: it could then read none."""
        for client in clients:
            try:
                missing = listed_origins(client.fhir_servers, "fhir_servers") - set(self._servers)
            except ReachError as error:
                raise ClientsError(f"{client.iss}: {error}") from error
            if missing:
                names = ", ".join(sorted(map(str, missing)))
                raise ClientsError(f"{client.iss}: fhir_servers: {names}: not in NUQUE_FHIR_SERVERS; add it there")

    async def fetch(self, request: HookRequest, wanted: Mapping[str, str]) -> Fetched:
        """Answer the queries ``wanted`` (by key) of ``request`` within the time budget.

        Never raises for what a server does: it says what failed.
        """
        base = (request.fhirServer or "").rstrip("/")
        authorization = request.fhirAuthorization
        if authorization is None or authorization.expires_in <= 0:
            return Fetched(failed=dict.fromkeys(wanted, "the call brought no access token that is still valid"))
        if request.token_is_of_another_patient:
            return Fetched(failed=dict.fromkeys(wanted, "the call's access token is for another patient"))
        token = authorization.access_token.get_secret_value()
        if not _SENDABLE_TOKEN.fullmatch(token):
            return Fetched(failed=dict.fromkeys(wanted, "the call's access token holds characters that cannot be sent"))
        try:
            server = self._server(base)
        except ReachError as error:
            return Fetched(failed=dict.fromkeys(wanted, str(error)))
        issuer = current_caller.get().issuer
        breaker, turn = self._breakers.of(issuer, base), server.turn(issuer)
        queries = {key: _PagedQuery(self._settings, server.client, turn, breaker, base, token) for key in wanted}
        tasks = {key: asyncio.create_task(queries[key].read_all(query)) for key, query in wanted.items()}
        try:
            await asyncio.wait(tasks.values(), timeout=self._settings.fetch_budget_seconds)
            unanswered = {key for key, query in queries.items() if query.asking}
            if unanswered:
                breaker.failed()  # Once for the call, however many of its queries were slow.
        finally:
            for task in tasks.values():
                task.cancel()
            await asyncio.gather(*tasks.values(), return_exceptions=True)
        return self._collected(tasks, unanswered)

    def _server(self, base: str) -> _Server:
        """The listed server that ``base`` names. Raises ReachError."""
        origin = Origin.of(base)
        if "?" in base or "#" in base:  # An empty one too: what is added to the base would stand in it.
            raise ReachError("fhirServer must be the base address, without query or fragment")
        client = current_caller.get().client
        narrowed = listed_origins(client.fhir_servers, "fhir_servers") if client else frozenset()
        if origin not in self._servers or (narrowed and origin not in narrowed):
            raise ReachError("this service is not allowed to read from that fhirServer")
        return self._servers[origin]

    def _collected(self, tasks: Mapping[str, asyncio.Task[_Answer]], unanswered: set[str]) -> Fetched:
        seconds = f"{self._settings.fetch_budget_seconds:g} s"
        found: dict[str, Sequence[Any]] = {}
        failed: dict[str, str] = {}
        for key, task in tasks.items():
            if task.cancelled():
                late = "the FHIR server did not answer" if key in unanswered else "it was not the turn of this read"
                failed[key] = f"{late} within {seconds}"
                continue
            resources, problem = task.result()
            if resources is not None:
                found[key] = resources
            if problem is not None:
                failed[key] = problem
        return Fetched(found, failed)

    async def aclose(self) -> None:
        """Close all connections."""
        for server in self._servers.values():
            await server.client.aclose()


_Answer = tuple[list[Any] | None, str | None]
"""The resources (None: nothing was read) and what is wrong or incomplete."""


class _PagedQuery:
    """One query in progress: its first answer and the further pages."""

    def __init__(
        self,
        settings: ReachSettings,
        client: httpx.AsyncClient,
        turn: asyncio.Semaphore,
        breaker: Breaker,
        base: str,
        token: str,
    ) -> None:
        self._settings, self._client, self._turn, self._breaker = settings, client, turn, breaker
        self._base, self._token = base, token
        self.asking = False
        """Whether the server has been asked and its answer is awaited; not while this query waits for its turn."""

    async def read_all(self, query: str) -> _Answer:
        """Everything that answers ``query``. What was read before a failure is kept, and the failure said."""
        found: list[Any] | None = None
        url: str | None = query if _is_address(query) else f"{self._base}/{query}"
        seen: set[str] = set()
        try:
            for _ in range(self._settings.fetch_pages):
                if url is None:
                    return found, None
                if url in seen:
                    return found, "the FHIR server's next pages go round in a circle"
                seen.add(url)
                resources, url = _opened(await self._get(url, ours=len(seen) == 1 and not _is_address(query)), query)
                found = [*(found or []), *resources]
        except ReadFailed as error:
            return found, str(error)
        return found, None if url is None else f"there are more than {self._settings.fetch_pages} pages"

    async def _get(self, url: str, *, ours: bool) -> Any:
        self._check_url(url)
        for attempt in range(1, _TRIES + 1):
            if not self._breaker.may_call():
                raise ReadFailed("the FHIR server failed several times and is left alone for a moment")
            try:
                answer = await self._once(url, ours=ours)
            except ReadFailed as error:
                self._note(error)
                if not error.again or attempt == _TRIES:
                    raise
                await asyncio.sleep(0.02 + random.random() * 0.03)  # Spread, so that workers do not retry together.
            except asyncio.CancelledError:
                self._breaker.abandoned()
                raise
            else:
                self._breaker.succeeded()
                return answer
        raise AssertionError("every attempt returns or raises")

    def _note(self, error: ReadFailed) -> None:
        if error.server_fault:
            self._breaker.failed()
        else:
            self._breaker.succeeded()

    def _check_url(self, url: str) -> None:
        """A next page may stand anywhere; the token goes to the server that the caller named only."""
        try:
            same = Origin.of(url) == Origin.of(self._base)
        except ReachError as error:
            raise ReadFailed(f"the next page has no usable address: {error}") from error
        path, base_path = httpx.URL(url).path, httpx.URL(self._base).path.rstrip("/")
        below = path == base_path or path.startswith(f"{base_path}/")
        if not same or not below or _climbs(path):
            raise ReadFailed("the next page is on another server, which is not read")

    async def _once(self, url: str, *, ours: bool) -> Any:
        headers = {"authorization": f"Bearer {self._token}"}
        try:
            async with self._turn:
                self.asking = True
                async with self._client.stream(**_as_sent(url, ours=ours), headers=headers) as response:
                    if response.status_code != 200:
                        raise _refused(response.status_code)
                    body = await read_bounded(response, self._settings.fetch_bytes)
            return await strict_json.parse_aside(body, is_answer=True)
        except _OURS as error:
            raise ReadFailed(f"the FHIR server could not be asked ({type(error).__name__})") from error
        except httpx.HTTPError as error:
            kind = type(error).__name__
            raise ReadFailed(f"no answer from the FHIR server ({kind})", again=True, server_fault=True) from error
        except (ReachError, AnswerTooLong) as error:
            raise ReadFailed(str(error)) from error
        except strict_json.JsonProblem as error:
            raise ReadFailed("the FHIR server's answer is not JSON that can be used", server_fault=True) from error
        except (httpx.InvalidURL, UnicodeError) as error:
            raise ReadFailed("the query is not a usable address") from error
        finally:
            self.asking = False


def _climbs(path: str) -> bool:
    """Whether some server takes ``path`` for one above it: decoded again, with backslashes, or segments with parameters."""
    path = unquote(unquote(path))
    return any(part.partition(";")[0].strip() == ".." for part in re.split(r"[/\\]", path))


def _as_sent(url: str, *, ours: bool) -> dict[str, Any]:
    """How ``url`` is asked for: by GET, or a search of ours by POST where an address of that length may be refused (414).

    The server takes both as the same search: https://hl7.org/fhir/R4/http.html#search
    """
    address, _, search = url.partition("?")
    if not ours or not search or octets(url) <= LONGEST_QUERY:
        return {"method": "GET", "url": url}
    return {"method": "POST", "url": f"{address}/_search", "data": dict(parse_qsl(search, keep_blank_values=True))}


def _is_address(query: str) -> bool:
    """Whether ``query`` is the address of a page and not a query of ours (whose codes may hold addresses too)."""
    return query.startswith(("http://", "https://"))


def _refused(status: int) -> ReadFailed:
    if 300 <= status < 400:
        return ReadFailed("the FHIR server redirects elsewhere, which is not followed")
    if status in (401, 403):
        return ReadFailed(f"the FHIR server refused the access token ({status})")
    return ReadFailed(
        f"the FHIR server answered {status}", again=status in _WORTH_A_SECOND_TRY, server_fault=status >= 500
    )


def _opened(answer: Any, query: str) -> tuple[list[Any], str | None]:
    """The resources of ``answer`` and the address of its next page."""
    kind = answer.get("resourceType") if isinstance(answer, dict) else None
    if kind != "Bundle":
        if _is_address(query) or "?" in query or f"{kind}/{answer.get('id') if kind else None}" != query:
            raise ReadFailed("the FHIR server answered with something else than was asked for")
        return [answer], None
    if "?" not in query and not _is_address(query):
        raise ReadFailed("the FHIR server answered with something else than was asked for")
    entries, links = answer.get("entry", []), answer.get("link", [])
    if not isinstance(entries, list) or not isinstance(links, list):
        raise ReadFailed("the FHIR server's Bundle cannot be read")
    resources = [entry.get("resource") if isinstance(entry, dict) else None for entry in entries]
    if not all(isinstance(resource, dict) and isinstance(resource.get("resourceType"), str) for resource in resources):
        raise ReadFailed("the FHIR server's Bundle has an entry without a resource")
    following = [link.get("url") for link in links if isinstance(link, dict) and link.get("relation") == "next"]
    url = following[0] if following else None
    if url is not None and not isinstance(url, str):
        raise ReadFailed("the FHIR server's Bundle cannot be read")
    return resources, url
