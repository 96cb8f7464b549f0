"""The clients file: which EHR may call, how its signatures are checked, and what it may ask for.

clients:
  - iss: https://ehr.example.org
    jku: [https://ehr.example.org/.well-known/jwks.json]
    tenants: [north, south]
    certificate: "CN=ehr.example.org"
    fhir_servers: [https://fhir.example.org]
    calls_per_minute: 600
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from rules.errors import KnowledgeError, NuqueError, in_plain_words
from rules.loading.yaml_reader import YamlFile


class ClientsError(NuqueError):
    """The clients file cannot be used. The message lists every problem with its place."""


class Client(BaseModel):
    """One client."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    iss: str = Field(min_length=1, max_length=512, description="the `iss` of its tokens")
    jku: tuple[str, ...] = Field(
        default=(),
        description="URLs of its key sets, fetched unless keys_file is given; a token may name one of these and no other",
    )
    keys_file: Path | None = Field(default=None, description="its key set (JWKS) as a file; then no `jku` is fetched")
    tenants: tuple[Annotated[str, Field(max_length=512)], ...] = Field(
        default=(),
        description="tenants it may name; with any, each token must name one; with none, NUQUE_UNLISTED_TENANTS says",
    )
    certificate: str | None = Field(default=None, description="its client certificate as the proxy names it")
    fhir_servers: tuple[str, ...] = Field(
        default=(), description="FHIR servers it may name, from the service's own list; default: all of that list"
    )
    calls_per_minute: int | None = Field(default=None, ge=1, description="instead of the service's own limit")

    @model_validator(mode="after")
    def _some_source_of_keys(self) -> Client:
        if not self.jku and self.keys_file is None:
            raise ValueError("give jku, keys_file, or both")
        return self


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    clients: tuple[Client, ...] = Field(min_length=1)


def read_clients(path: Path) -> dict[str, Client]:
    """The clients in ``path`` by ``iss``. Raises ClientsError."""
    try:
        source = YamlFile.read(path, str(path))
    except KnowledgeError as error:
        raise ClientsError(str(error)) from error
    try:
        clients = _File.model_validate(source.data).clients
    except ValidationError as error:
        problems = [f"{source.place(*problem['loc'])}: {in_plain_words(problem)}" for problem in error.errors()]
        raise ClientsError("\n".join(problems)) from error
    found: dict[str, Client] = {}
    for index, client in enumerate(clients):
        if client.iss in found:
            raise ClientsError(f"{source.place('clients', index)}: iss {client.iss!r} is given twice")
        found[client.iss] = client
    return found
