"""The canonical URLs of what the service publishes: code systems, extensions, knowledge artefacts, all under one base."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from cds.defaults import DEFAULT_BASE


def code(name: str) -> str:
    """The ``name`` in the rule set (``fixed_flexion``) as the code published for it (``fixed-flexion``)."""
    return name.replace("_", "-")


@dataclass(frozen=True)
class Canonicals:
    """Canonical URLs under ``base``, an absolute http(s) URL without a slash at its end.

    Raises ValueError where ``base`` is anything else.
    """

    base: str = DEFAULT_BASE

    def __post_init__(self) -> None:
        parts = urlsplit(self.base)
        if parts.scheme not in ("http", "https") or not parts.netloc or parts.query or parts.fragment:
            raise ValueError(f"the canonical base must be an http(s) URL such as {DEFAULT_BASE}; got {self.base!r}")
        if self.base.endswith("/") or any(character.isspace() for character in self.base):
            raise ValueError(f"the canonical base must not end in a slash nor hold white space; got {self.base!r}")

    def code_system(self, name: str) -> str:
        """URL of the code system ``name``."""
        return f"{self.base}/CodeSystem/{name}"

    def value_set(self, name: str) -> str:
        """URL of the value set ``name``."""
        return f"{self.base}/ValueSet/{name}"

    def extension(self, name: str) -> str:
        """URL of the extension ``name``."""
        return f"{self.base}/StructureDefinition/{name}"

    def artefact(self, resource_type: str, name: str, version: str | None = None) -> str:
        """URL of the knowledge artefact ``name`` of the ``resource_type``, with ``|version`` where one is given."""
        return f"{self.base}/{resource_type}/{code(name)}" + ("" if version is None else f"|{version}")
