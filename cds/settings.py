"""Settings of the service, from the environment: each is ``NUQUE_`` and the name in capitals.

Paths of several files are separated as in ``PATH`` (``:`` here), lists of words by commas.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, NoDecode, SettingsConfigDict

from cds.fhir.canonical_urls import DEFAULT_BASE
from cds.settings_groups import LimitSettings, ReachSettings, SeeingSettings, StoreSettings, TrustSettings, Words
from rules.errors import NuqueError

_ORIGIN = re.compile(r"https?://([a-z0-9.-]+|\[[0-9a-f:]+\])(:[0-9]{1,5})?")


class SettingsError(NuqueError):
    """A setting has a value that cannot be used."""


class Settings(TrustSettings, ReachSettings, StoreSettings, LimitSettings, SeeingSettings, BaseSettings):
    """Everything that a site sets. The defaults answer on this machine only, with the shipped content."""

    model_config = SettingsConfigDict(env_prefix="NUQUE_", frozen=True, extra="forbid")

    knowledge: Path | None = Field(default=None, description="folder of knowledge files; default: the shipped content")
    overlays: Annotated[tuple[Path, ...], NoDecode] = Field(
        default=(), description="the site's overlay files, applied in this order"
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
        description="address of this service as clinicians' browsers reach it; the source of each card then links to it",
    )
    host: str = Field(default="127.0.0.1", description="address to listen on")
    port: int = Field(default=8000, ge=0, le=65535, description="port to listen on; 0 takes a free one")
    cors_origins: Words = Field(default=(), description="origins whose pages may call the service; default: none")
    strict_validation: bool = Field(
        default=False, description="check each outgoing FHIR resource against the full model (slower; for testing)"
    )

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

        A ``NUQUE_`` variable that is no setting is refused too: a slip of the pen must not leave a guard off.
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
                f"NUQUE_{str(problem['loc'][0]).upper()}: {problem['msg'].removeprefix('Value error, ')}"
                if problem["loc"]
                else f"settings: {problem['msg']}"
                for problem in error.errors()
            ]
            raise SettingsError("\n".join(lines)) from error
