"""Settings of the service, from the environment: each is ``NUQUE_`` and the name in capitals.

Paths of several files are separated as in ``PATH`` (``:`` here), lists of words by commas.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_settings import BaseSettings, NoDecode, SettingsConfigDict

from cds.defaults import DEFAULT_BASE
from rules.errors import NuqueError


def _split(value: Any) -> Any:
    return tuple(part.strip() for part in value.split(",") if part.strip()) if isinstance(value, str) else value


def _addresses(value: tuple[str, ...]) -> tuple[str, ...]:
    for address in value:
        if not _ADDRESS.fullmatch(address):
            raise ValueError(
                f"{address!r}: not an address such as https://cds.example.org, with which a token's aud begins"
            )
    return value


def _registrations(value: tuple[str, ...]) -> tuple[str, ...]:
    for entry in value:
        if not _REGISTRATION.fullmatch(entry):
            raise ValueError(
                f"{entry!r}: write the FHIR server and the client's id, as in https://ehr.example.org/fhir=nuque"
            )
    return value


_ADDRESS = re.compile(r"https?://[^\s?#]+")
_REGISTRATION = re.compile(r"https?://[^\s?#=]+=[^\s=]+")

Words = Annotated[tuple[str, ...], NoDecode, BeforeValidator(_split)]
"""Several words in one variable, with commas between them."""

TrustMode = Literal["open", "jwt", "jwt+mtls-header"]


class SettingsGroup(BaseModel):
    """Base of the groups: frozen, no unexpected fields."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class TrustSettings(SettingsGroup):
    """Who may call."""

    trust: TrustMode = Field(
        default="open",
        description="who may call: `open` is for a demonstration and answers this machine only; `jwt` asks for the signed "
        "token of CDS Hooks; `jwt+mtls-header` also for the client certificate that the proxy in front has checked",
    )
    clients: Path | None = Field(
        default=None, description="file of the clients that may call (YAML); needed unless `trust` is `open`"
    )
    audiences: Annotated[Words, AfterValidator(_addresses)] = Field(
        default=(),
        description="addresses of this service as its clients call it (`https://cds.example.org`); a token must be made "
        "for one of them, and links in FHIR answers begin with one. Default: the public URL",
    )
    algorithms: Words = Field(
        default=("ES384", "RS384"), description="signatures that are accepted; `ES256` and `RS256` may be added"
    )
    clock_skew_seconds: int = Field(
        default=30, ge=0, le=120, description="how far a client's clock may be from ours, in seconds"
    )
    token_lifetime_seconds: int = Field(
        default=300,
        ge=10,
        le=3600,
        description="the longest time from `iat` to `exp` that a token may have, in seconds",
    )
    unlisted_tenants: Literal["refuse", "accept"] = Field(
        default="refuse",
        description="a token that names a tenant where none is listed for its client: `refuse` it, or `accept` the name and "
        "keep it beside what is stored. A client with tenants listed must name one of them either way",
    )
    keys_cache_seconds: int = Field(default=3600, ge=60, description="age at which a fetched key set is fetched again")
    keys_refresh_seconds: int = Field(
        default=60, ge=1, description="shortest time between two fetches of one key set, whatever key ids are asked for"
    )
    keys_longest_seconds: int = Field(
        default=86400, ge=60, description="age at which a key set that cannot be fetched again is no longer used"
    )
    protect_discovery: bool = Field(
        default=False, description="ask for a token before the list of services too (`/cds-services`)"
    )
    certificate_header: str = Field(
        default="x-client-certificate",
        pattern=r"^[a-z0-9-]+$",
        description="header in which the proxy in front names the client certificate that it checked (`jwt+mtls-header`)",
    )
    trusted_proxies: Words = Field(
        default=(),
        description="networks of the proxies whose headers are believed: the certificate header, and the one that names the "
        "user (`10.0.0.0/24`)",
    )
    page_user_header: str | None = Field(
        default=None,
        pattern=r"^[a-z0-9-]+$",
        description="header in which one of `trusted_proxies` names the signed-in user (`x-remote-user`); where tokens are "
        "asked for, pages open for calls that carry it. The proxy has to remove it from what comes from outside. Default: "
        "where tokens are asked for, pages answer 403",
    )
    link_hours: int = Field(
        default=12,
        ge=1,
        le=168,
        description="hours for which the link of a card opens its decision on the bedside page",
    )


class ReachSettings(SettingsGroup):
    """Whom we call."""

    fhir_servers: Words = Field(
        default=(),
        description="FHIR servers that may be read, as scheme, host and port (`https://ehr.example.org`); default: none, "
        "so decisions use what the call brought along",
    )
    smart_clients: Annotated[Words, AfterValidator(_registrations)] = Field(
        default=(),
        description="FHIR servers from which the bedside page may be launched (SMART App Launch), each with the id under which "
        "this service is registered there as a public client (`https://ehr.example.org/fhir=nuque`); the server stands in "
        "`fhir_servers` too, and so does that of its token endpoint. Default: none",
    )
    smart_seconds: float = Field(default=5.0, gt=0, le=30, description="time for each call to sign in, in seconds")
    private_networks: Words = Field(
        default=(),
        description="networks that are not public and may still be called (`10.20.0.0/16`); every other private, local or "
        "reserved address is refused, whatever name led there",
    )
    fetch_budget_seconds: float = Field(
        default=1.0, gt=0, le=30, description="time for everything that one call fetches, in seconds"
    )
    fetch_concurrency: int = Field(
        default=8, ge=1, le=100, description="reads of one client (`iss`) at the same time from one FHIR server"
    )
    fetch_pages: int = Field(default=5, ge=1, le=100, description="pages of one search that are read")
    fetch_bytes: int = Field(default=4_000_000, ge=1000, description="longest answer of a FHIR server, in bytes")
    breaker_failures: int = Field(
        default=5, ge=1, description="failures in a row after which a FHIR server is left alone for a while"
    )
    breaker_seconds: float = Field(default=30.0, gt=0, description="how long it is left alone, in seconds")


class StoreSettings(SettingsGroup):
    """What is kept, where and how long."""

    store_url: str | None = Field(
        default=None,
        description="SQLAlchemy URL of the store (`postgresql+psycopg://user@host/nuque`, "
        "`sqlite:////var/lib/nuque/store.sqlite3`); default: an SQLite file in the state folder of the account",
    )
    store_upgrade: bool = Field(
        default=True, description="bring the tables up to date on first use; otherwise `nuque store upgrade` has to"
    )
    store_retry_seconds: float = Field(
        default=5.0, gt=0, description="after a failure of the store, time until it is tried again, in seconds"
    )
    store_delay_ms: int = Field(
        default=20,
        ge=0,
        le=60_000,
        description="issued cards and audit rows are committed together after so many milliseconds, beside the answer; rows "
        "that are not yet are lost when a process is killed, feedback never",
    )
    store_queue_rows: int = Field(
        default=20_000,
        ge=100,
        description="cards and audit rows that may wait in a process for a store that is down or slow; more are lost, and "
        "readiness says so",
    )
    pseudonym_key: SecretStr | None = Field(
        default=None,
        min_length=32,
        description="secret of at least 32 characters; the store knows patients only by a hash keyed with it. Needed unless "
        "`trust` is `open`, where one is made up at each start",
    )
    record_keys: Annotated[tuple[SecretStr, ...], NoDecode, BeforeValidator(_split)] = Field(
        default=(),
        description="Fernet keys, newest first; with one the store also keeps each decision with its facts and the comments "
        "of clinicians, encrypted. Default: neither is kept",
    )
    keep_cards_days: int = Field(
        default=400, ge=1, description="days after which `nuque store purge` deletes issued cards"
    )
    keep_feedback_days: int = Field(default=800, ge=1, description="the same for feedback")
    keep_audit_days: int = Field(default=800, ge=1, description="the same for the audit trail")
    keep_records_days: int = Field(default=30, ge=1, description="the same for encrypted decision records")


class LimitSettings(SettingsGroup):
    """How much of everything."""

    body_bytes: int = Field(default=16_000_000, ge=1000, description="longest body of a request, in bytes")
    bodies_bytes: int = Field(
        default=48_000_000,
        ge=1000,
        description="bytes of all longer bodies that a process has at a time; beyond that a call with one gets 503",
    )
    body_seconds: float = Field(
        default=10.0, gt=0, description="time in which the body of a request must have come, in seconds"
    )
    answer_seconds: float = Field(
        default=10.0, gt=0, description="time after which a call that has no answer yet gets 503, in seconds"
    )
    calls_per_minute: int = Field(
        default=1200,
        ge=1,
        description="calls a minute of one client (`iss`) to one process, a tenth of them (at least one) at once; more get 429",
    )
    concurrent_calls: int = Field(
        default=200, ge=1, description="calls at the same time in one process, health apart; more get 503"
    )
    shutdown_seconds: int = Field(
        default=20, ge=1, description="when asked to stop, time to finish the calls that were accepted, in seconds"
    )


class SeeingSettings(SettingsGroup):
    """What can be seen from outside."""

    log_level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="least important log lines that are written"
    )
    metrics: bool = Field(
        default=True,
        description="serve `/metrics` (Prometheus), without a token; keep it off the public side of a proxy",
    )
    traces: bool = Field(
        default=False,
        description="send OpenTelemetry traces (needs the extra `otel`; the usual `OTEL_` variables say whereto)",
    )
    admin_token: SecretStr | None = Field(
        default=None,
        min_length=32,
        description="secret of at least 32 characters that `POST /admin/reload` asks for as Bearer; default: no such call",
    )
    silent_mode: bool = Field(
        default=False,
        description="the hooks decide and show nothing; `nuque store silent` says by week what would have been shown and how "
        "orders agreed with it",
    )
    silent_repeat_hours: int = Field(
        default=24,
        ge=0,
        description="hours for which a card that was overridden with a reason is not shown again while the facts stay the same; "
        "0: always show. A critical card is always shown",
    )


GROUPS: dict[str, type[SettingsGroup]] = {
    "Who may call": TrustSettings,
    "Whom we call": ReachSettings,
    "What is kept": StoreSettings,
    "Limits": LimitSettings,
    "Seeing and steering": SeeingSettings,
}
"""The groups by title, in the order of the documentation."""


_ORIGIN = re.compile(r"https?://([a-z0-9.-]+|\[[0-9a-f:]+\])(:[0-9]{1,5})?")


_NUMBERS = {"int_parsing": "a whole number", "float_parsing": "a number", "bool_parsing": "true or false"}
"""What a value had to be that could not be read; none of these is a secret, so what was given may be said."""


def _said(problem: Mapping[str, Any]) -> str:
    wanted = _NUMBERS.get(problem["type"])
    if wanted is not None:
        return f"must be {wanted}, not {problem['input']!r}"
    return str(problem["msg"]).removeprefix("Value error, ")


class SettingsError(NuqueError):
    """A setting has a value that cannot be used."""


class Settings(TrustSettings, ReachSettings, StoreSettings, LimitSettings, SeeingSettings, BaseSettings):
    """Everything that a site sets. The defaults answer on this machine only, with the shipped content."""

    model_config = SettingsConfigDict(env_prefix="NUQUE_", frozen=True, extra="forbid")

    knowledge: Path | None = Field(default=None, description="folder of knowledge files; default: the shipped content")
    overlays: Annotated[tuple[Path, ...], NoDecode] = Field(
        default=(), description="the site's overlay files, applied in this order"
    )
    verdicts: Path | None = Field(
        default=None,
        description="folder for the verdicts on content that was checked; default: in the account's state folder",
    )
    results: Path | None = Field(
        default=None,
        description="folder with results of `nuque rules compare --json` and `nuque rules map --cohort RESULT --json`, which "
        "`/rules/versions` and `/rules/map` show; default: none",
    )
    code_map: Path | None = Field(default=None, description="the site's code map, which extends the shipped one")
    catalogue: Path | None = Field(default=None, description="the items that the site stocks; default: none are named")
    canonical_base: str = Field(
        default=DEFAULT_BASE,
        pattern=r"^https?://[^\s]+[^/\s]$",
        description="base of the canonical URLs of the rule set and of the project's own code systems, no slash at the end",
    )
    public_url: str | None = Field(
        default=None,
        pattern=r"^https?://[^\s]+[^/\s]$",
        description="address of this service as clinicians' browsers reach it; cards then link to its pages. Default: "
        "no links, and in open mode the address on this machine",
    )
    time_zone: str | None = Field(
        default=None,
        description="time zone of the wards' clocks by its IANA name (`Europe/Madrid`), for the times on pages and papers, "
        "and for dates without a time in records: these are days of the wards' clocks, so today is not in the future east of "
        "UTC. Default: the machine's, which in a container is UTC",
    )
    host: str = Field(default="127.0.0.1", description="address to listen on")
    port: int = Field(default=8000, ge=0, le=65535, description="port to listen on; 0 takes a free one")
    workers: int = Field(
        default=1,
        ge=1,
        le=64,
        description="processes that answer on the port, with one store; limits on calls count in each of them",
    )
    cors_origins: Words = Field(default=(), description="origins whose pages may call the service; default: none")
    strict_validation: bool = Field(
        default=False, description="check each outgoing FHIR resource against the full model (slower; for testing)"
    )

    @property
    def address(self) -> str | None:
        """Where a browser finds the pages; None where that is not known."""
        if self.public_url is not None or self.trust != "open" or self.port == 0:
            return self.public_url
        return f"http://[{self.host}]:{self.port}" if ":" in self.host else f"http://{self.host}:{self.port}"

    @property
    def zone(self) -> ZoneInfo | None:
        """The time zone of the wards' clocks; None: that of this machine."""
        return None if self.time_zone is None else ZoneInfo(self.time_zone)

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        """A zone that this machine does not know would be found out at the first page, by whoever opens it."""
        try:
            if value is not None:
                ZoneInfo(value)
        except (KeyError, ValueError, OSError) as error:
            raise ValueError(
                f"{value!r}: write the IANA name of a time zone that this machine knows (tzdata), as in Europe/Madrid"
            ) from error
        return value

    @model_validator(mode="after")
    def _way_back(self) -> Settings:
        """A launch goes to the server of the EHR, which sends the browser back to an address that it was told."""
        if self.smart_clients and self.address is None:
            raise ValueError(
                "NUQUE_SMART_CLIENTS: give NUQUE_PUBLIC_URL too, the address at which browsers reach this service"
            )
        return self

    @field_validator("cors_origins")
    @classmethod
    def _origins(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        """A listed origin that no browser ever sends would let nobody in, and ``*`` everybody."""
        for origin in value:
            if not _ORIGIN.fullmatch(origin):
                raise ValueError(
                    f"{origin!r}: write scheme, host and port in small letters, as in https://ehr.example.org"
                )
        return value

    @field_validator("overlays", mode="before")
    @classmethod
    def _paths(cls, value: Any) -> Any:
        return tuple(part for part in value.split(os.pathsep) if part) if isinstance(value, str) else value

    @classmethod
    def load(cls, **given: Any) -> Settings:
        """Settings from the environment, with ``given`` before it. Raises SettingsError that names each wrong variable.

        A ``NUQUE_`` variable that is not a setting is refused too: a slip of the pen must not leave a guard off.
        """
        unknown = sorted(
            name
            for name in os.environ
            if name.upper().startswith("NUQUE_") and name.upper().removeprefix("NUQUE_").lower() not in cls.model_fields
        )
        if unknown:
            raise SettingsError(
                "\n".join(f"{name}: no such setting; `nuque settings` lists them all" for name in unknown)
            )
        try:
            return cls(**given)
        except ValidationError as error:
            lines = [
                f"NUQUE_{str(problem['loc'][0]).upper()}: {_said(problem)}"
                if problem["loc"]
                else f"settings: {problem['msg']}"
                for problem in error.errors()
            ]
            raise SettingsError("\n".join(lines)) from error
