"""What HL7 CDS Hooks 2.0 asks of a CDS service, statement by statement, each with what holds it.

``python -m tests.cds.hooks.normative_statements`` lists them. In our own words, after https://cds-hooks.hl7.org/2.0/; where the
text names no level for an element that it marks as required, it stands under MUST. A statement about an answer has a check,
which is run over every answer of ``test_normative_statements``; one about refusing, trust or feedback names its tests.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal
from uuid import UUID

from tests.cds.hooks.cds_hooks_standard import check_references, empty_elements

Json = dict[str, Any]


@dataclass(frozen=True)
class Exchange:
    """One call that was accepted, and its answer."""

    sent: Json
    status: int
    content_type: str
    answer: Json

    @property
    def cards(self) -> list[Json]:
        found: list[Json] = self.answer["cards"]
        return found

    @property
    def suggestions(self) -> list[Json]:
        return [suggestion for card in self.cards for suggestion in card.get("suggestions", ())]

    @property
    def actions(self) -> list[Json]:
        return [action for suggestion in self.suggestions for action in suggestion.get("actions", ())]


Check = Callable[[Exchange], object]


@dataclass(frozen=True)
class Statement:
    """One statement, with its ``check``, or with the names of the ``tests`` that hold it."""

    section: str
    level: Literal["MUST", "SHOULD"]
    words: str
    check: Check | None = None
    tests: tuple[str, ...] = ()


def is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def each(found: Callable[[Exchange], list[Any]], holds: Callable[[Any], bool]) -> Check:
    """A check that ``holds`` for everything ``found`` in an answer; a failure shows what it does not hold for."""

    def check(exchange: Exchange) -> None:
        assert [one for one in found(exchange) if not holds(one)] == []

    return check


def _cards(exchange: Exchange) -> list[Json]:
    return exchange.cards


def _suggestions(exchange: Exchange) -> list[Json]:
    return exchange.suggestions


def _actions(exchange: Exchange) -> list[Json]:
    return exchange.actions


def _links(exchange: Exchange) -> list[Json]:
    return [link for card in exchange.cards for link in card.get("links", ())]


def _sources(exchange: Exchange) -> list[Json]:
    return [card["source"] for card in exchange.cards]


def _topics(exchange: Exchange) -> list[Json]:
    return [source["topic"] for source in _sources(exchange) if "topic" in source]


def _reasons(exchange: Exchange) -> list[Json]:
    return [reason for card in exchange.cards for reason in card.get("overrideReasons", ())]


def _ids(exchange: Exchange) -> list[str]:
    return [one["uuid"] for one in (*exchange.cards, *exchange.suggestions) if "uuid" in one]


def _is_uuid(value: str) -> bool:
    return str(UUID(value)) == value


def _at_most_one(card: Json) -> bool:
    recommended = [one for one in card.get("suggestions", ()) if one.get("isRecommended")]
    return card.get("selectionBehavior") != "at-most-one" or len(recommended) <= 1


def _updates_what_stands(exchange: Exchange) -> None:
    sent = {(one["resourceType"], one["id"]) for one in resources(exchange.sent) if "id" in one}
    updated = [one["resource"] for one in exchange.actions if one["type"] == "update"]
    assert [one["id"] for one in updated if (one["resourceType"], one["id"]) not in sent] == []


def resources(value: Any) -> Iterator[Json]:
    """Every resource anywhere in ``value``."""
    if isinstance(value, dict):
        if isinstance(value.get("resourceType"), str):
            yield value
        for part in value.values():
            yield from resources(part)
    elif isinstance(value, list):
        for part in value:
            yield from resources(part)


def _repeats_no_secret(exchange: Exchange) -> None:
    secret = exchange.sent.get("fhirAuthorization", {}).get("access_token")
    assert secret is None or secret not in json.dumps(exchange.answer)


STATEMENTS = (
    # Discovery
    Statement("Discovery", "MUST", "services with id, hook and description", tests=("test_discovery_holds",)),
    Statement("Discovery", "MUST", "an id is given to one service only", tests=("test_discovery_holds",)),
    Statement("Prefetch", "MUST", "only context tokens of the hook, first level", tests=("test_discovery_holds",)),
    Statement("Prefetch", "SHOULD", "only simple searches, no chaining", tests=("test_discovery_holds",)),
    # Calling
    Statement(
        "HTTP request",
        "MUST",
        "hook, hookInstance and context are required",
        tests=("test_whatever_is_required_and_missing_is_400",),
    ),
    Statement(
        "HTTP request", "MUST", "a service of another id is not found", tests=("test_an_unknown_service_is_not_found",)
    ),
    Statement(
        "Prefetch",
        "MUST",
        "a key that failed or is missing is fetched, or 412",
        tests=(
            "test_needed_data_that_cannot_be_had_is_412_with_the_key",
            "test_where_nothing_needed_can_be_had_the_answer_is_412",
        ),
    ),
    Statement(
        "FHIR access",
        "MUST",
        "the access token is kept out of log and answer",
        _repeats_no_secret,
        ("test_the_access_token_is_in_no_log",),
    ),
    # Response
    Statement(
        "HTTP response",
        "MUST",
        "200 for a call that was carried out",
        each(lambda e: [e.status], lambda status: status == 200),
    ),
    Statement(
        "HTTP response",
        "MUST",
        "JSON, and says so",
        each(lambda e: [e.content_type], lambda t: t.split(";")[0] == "application/json"),
    ),
    Statement(
        "HTTP response",
        "MUST",
        "cards, which may be empty",
        each(lambda e: [e.answer.get("cards")], lambda c: isinstance(c, list)),
    ),
    Statement(
        "HTTP response",
        "MUST",
        "nothing empty and no null but cards",
        each(lambda e: list(empty_elements(e.answer)), lambda path: False),
    ),
    Statement(
        "System action",
        "MUST",
        "no systemActions that nobody asked for",
        each(lambda e: [e.answer], lambda a: "systemActions" not in a),
    ),
    # Card
    Statement(
        "Card",
        "MUST",
        "summary is there, and shorter than 140 characters",
        each(_cards, lambda c: is_text(c.get("summary")) and len(c["summary"]) < 140),
    ),
    Statement(
        "Card",
        "MUST",
        "indicator is info, warning or critical",
        each(_cards, lambda c: c.get("indicator") in ("info", "warning", "critical")),
    ),
    Statement(
        "Card",
        "MUST",
        "source is there, with its label",
        each(_cards, lambda c: is_text(c.get("source", {}).get("label"))),
    ),
    Statement(
        "Card",
        "MUST",
        "selectionBehavior where there are suggestions",
        each(_cards, lambda c: ("suggestions" in c) <= (c.get("selectionBehavior") in ("at-most-one", "any"))),
    ),
    Statement(
        "Card",
        "MUST",
        "detail, where given, is text",
        each(_cards, lambda c: "detail" not in c or is_text(c["detail"])),
    ),
    Statement(
        "Card",
        "SHOULD",
        "detail is GitHub Flavored Markdown without HTML of ours",
        each(_cards, lambda c: not re.search(r"(?<!\\)<[a-zA-Z/!]", c.get("detail", ""))),
    ),
    Statement(
        "Card", "MUST", "ids are unique in an answer", each(lambda e: [_ids(e)], lambda ids: len(ids) == len(set(ids)))
    ),
    Statement("Card", "SHOULD", "ids are UUIDs", each(_ids, _is_uuid)),
    Statement(
        "Card", "SHOULD", "a card that can be answered by feedback has an id", each(_cards, lambda c: "uuid" in c)
    ),
    Statement(
        "Override reason",
        "MUST",
        "a Coding with code, system and display",
        each(_reasons, lambda r: all(is_text(r.get(key)) for key in ("code", "system", "display"))),
    ),
    Statement(
        "Source",
        "MUST",
        "url and icon, where given, are absolute URLs",
        each(_sources, lambda s: all(re.match(r"https?://", s[key]) for key in ("url", "icon") if key in s)),
    ),
    Statement(
        "Source",
        "MUST",
        "topic, where given, has a code and its system",
        each(_topics, lambda t: is_text(t.get("code")) and is_text(t.get("system"))),
    ),
    Statement(
        "Link",
        "MUST",
        "label, url and type, absolute or smart",
        each(
            _links,
            lambda x: is_text(x.get("label")) and is_text(x.get("url")) and x.get("type") in ("absolute", "smart"),
        ),
    ),
    Statement(
        "Link",
        "MUST",
        "appContext for smart links only",
        each(_links, lambda x: "appContext" not in x or x["type"] == "smart"),
    ),
    # Suggestion
    Statement("Suggestion", "MUST", "label is there", each(_suggestions, lambda s: is_text(s.get("label")))),
    Statement("Suggestion", "MUST", "one recommended at most where one can be chosen", each(_cards, _at_most_one)),
    Statement(
        "Suggestion",
        "MUST",
        "references within it lead to what it creates",
        each(_suggestions, lambda s: check_references(s) is None),
    ),
    Statement("Suggestion", "SHOULD", "an id, so that feedback can name it", each(_suggestions, lambda s: "uuid" in s)),
    # Action
    Statement(
        "Action",
        "MUST",
        "type is create, update or delete",
        each(_actions, lambda a: a.get("type") in ("create", "update", "delete")),
    ),
    Statement("Action", "MUST", "description is there", each(_actions, lambda a: is_text(a.get("description")))),
    Statement(
        "Action",
        "MUST",
        "create and update bring the resource",
        each(_actions, lambda a: a["type"] == "delete" or is_text(a.get("resource", {}).get("resourceType"))),
    ),
    Statement(
        "Action",
        "MUST",
        "delete names what is deleted, and brings no resource",
        each(_actions, lambda a: a["type"] != "delete" or (is_text(a.get("resourceId")) and "resource" not in a)),
    ),
    Statement("Action", "MUST", "update is of something that was sent, under its id", _updates_what_stands),
    Statement(
        "Action",
        "SHOULD",
        "what is created has no id of the server's yet",
        each(_actions, lambda a: a["type"] != "create" or "id" not in a["resource"]),
    ),
    Statement(
        "Action",
        "SHOULD",
        "what is created is a draft or a proposal",
        each(
            _actions,
            lambda a: (
                a["type"] != "create" or (a["resource"]["status"], a["resource"]["intent"]) == ("draft", "proposal")
            ),
        ),
    ),
    # Extensions
    Statement(
        "Extensions",
        "SHOULD",
        "keys are reverse domain names",
        each(
            lambda e: [key for holder in (e.answer, *e.cards) for key in holder.get("extension", {})],
            lambda key: key.count(".") >= 2,
        ),
    ),
    # Feedback
    Statement(
        "Feedback",
        "MUST",
        "taken for each card, accepted or overridden",
        tests=("test_feedback_is_kept_with_what_is_known_of_its_card",),
    ),
    Statement(
        "Feedback",
        "MUST",
        "200 only for what was taken",
        tests=("test_feedback_that_cannot_be_kept_is_not_acknowledged",),
    ),
    # Trust
    Statement(
        "Trust",
        "MUST",
        "a JWT for each call, its alg neither none nor symmetric",
        tests=("test_anything_else_is_refused_with_its_reason", "test_no_other_algorithm_can_be_added"),
    ),
    Statement(
        "Trust",
        "MUST",
        "aud is the URL called; exp, iat and jti are checked",
        tests=("test_anything_else_is_refused_with_its_reason", "test_a_token_is_good_once"),
    ),
    Statement(
        "Trust",
        "MUST",
        "iss and jku are on a list",
        tests=(
            "test_a_jku_beside_a_key_file_is_checked_against_those_listed",
            "test_no_address_that_a_token_brings_is_fetched",
        ),
    ),
    Statement(
        "Trust",
        "MUST",
        "header parameters that are not understood are ignored unless critical (RFC 7515)",
        tests=("test_a_header_that_is_not_understood_is_ignored", "test_a_token_with_a_critical_extension_is_refused"),
    ),
    Statement(
        "CORS",
        "SHOULD",
        "pages of listed origins only",
        tests=("test_a_page_may_call_only_from_a_listed_origin", "test_no_other_origin_may_read_answers_by_default"),
    ),
)


def check(exchange: Exchange) -> None:
    """Raise AssertionError with the statement that ``exchange`` does not hold."""
    for statement in STATEMENTS:
        if statement.check is not None:
            try:
                statement.check(exchange)
            except (AssertionError, KeyError, ValueError, AttributeError) as error:
                raise AssertionError(f"{statement.section}, {statement.level}: {statement.words}: {error}") from error


def listed() -> str:
    """Every statement with what holds it."""
    lines = [
        f"{one.level:6} {one.section}: {one.words} ({', '.join([*(['every answer'] if one.check else []), *one.tests])})"
        for one in STATEMENTS
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    print(listed())
