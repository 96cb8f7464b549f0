"""Strict checking of a whole resource: for imports, for tests, and for a service that is set to check what it sends.

What the service writes is sound by construction; this takes about a millisecond a resource and stays off the hot path.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import ValidationError

from rules.errors import NuqueError


class ResourceError(NuqueError):
    """A resource that is not sound FHIR. Carries every problem, each with its path."""

    def __init__(self, resource_type: str, problems: tuple[str, ...]) -> None:
        """Keep ``problems`` and spell them out, one a line."""
        self.resource_type = resource_type
        self.problems = problems
        super().__init__("\n".join(problems))


def validate(resource: Any) -> None:
    """Check ``resource`` (a FHIR resource as parsed JSON) against the full model.

    Found are unknown and missing elements, wrong types and forms, and anything null or empty. The model is that of
    R4B, which is that of R4 for the resources written and read here; it knows neither value sets nor invariants.
    Raises ResourceError with every problem and its path.
    """
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    if not isinstance(kind, str):
        raise ResourceError("?", ("a FHIR resource is an object with resourceType; found none",))
    problems = (*_empty(resource, kind), *_against_model(resource, kind))
    if problems:
        raise ResourceError(kind, problems)


def _against_model(resource: dict[str, Any], kind: str) -> Iterator[str]:
    # Imported here: it takes a fifth of a second, and most processes never need it.
    from fhir.resources.R4B import get_fhir_model_class
    from fhir.resources.R4B.resource import Resource

    try:
        model = get_fhir_model_class(kind)
    except ValueError:
        model = None
    if model is None or not issubclass(model, Resource):
        yield f"{kind}: R4 has no resource of this type"
        return
    try:
        model.model_validate(resource)
    except ValidationError as error:
        for problem in error.errors(include_url=False, include_context=False, include_input=False):
            yield f"{_path(kind, problem['loc'])}: {problem['msg']}"


def _path(kind: str, steps: tuple[int | str, ...]) -> str:
    """``steps`` as in ``CarePlan.activity[0].detail``."""
    return kind + "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in steps)


def _empty(value: Any, place: str) -> Iterator[str]:
    """Everything null or empty inside ``value``; the model would let it pass."""
    if value is None or value in ("", [], {}):
        yield f"{place}: must not be null or empty; leave it out"
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from _empty(inner, f"{place}.{name}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            # In a list of primitive values null stands for one that only has extensions.
            if inner is not None:
                yield from _empty(inner, f"{place}[{index}]")
