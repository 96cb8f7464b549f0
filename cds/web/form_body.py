"""A body that a form sends (application/x-www-form-urlencoded), read."""

from __future__ import annotations

from urllib.parse import parse_qsl

from fastapi import Request

from cds.operation_outcome import Issue, RefusedCall

FORM = "application/x-www-form-urlencoded"
FORM_CONTENT = {FORM: {"schema": {"type": "object", "additionalProperties": {"type": "string"}}}}
"""Such a body as OpenAPI describes it."""
_MOST_FIELDS = 2000


async def form_fields(request: Request) -> list[tuple[str, str]]:
    """The fields of the body of ``request`` in their order, names and values; empty values too.

    Raises RefusedCall: with 415 where the body is not a form, with 400 where it is not UTF-8 or has more than 2,000
    fields.
    """
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        raise RefusedCall(415, [Issue(None, f"the body must be a form: Content-Type: {FORM}", "not-supported")])
    try:
        text = (await request.body()).decode("utf-8")
        return parse_qsl(text, keep_blank_values=True, errors="strict", max_num_fields=_MOST_FIELDS)
    except ValueError as error:
        problem = "the form cannot be read: fields in UTF-8, at most 2000"
        raise RefusedCall(400, [Issue(None, problem, "structure")]) from error
