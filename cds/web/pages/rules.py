"""The rules, to search and to read: the list, and each rule at an address of its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.routing import APIRoute
from starlette.routing import Match

from cds.operation_outcome import Issue, RefusedCall
from cds.site.rule_listing import condition_lines, describe_rule
from cds.web.dependencies import CurrentService
from cds.web.pages.rendering import page
from rules.model.rule_text import describe_effects
from rules.model.ruleset import Rule, Ruleset

EVIDENCE = ("published", "common_practice", "local_default")


class _HtmlRoute(APIRoute):
    """Matches browsers only: at the same address programs get JSON."""

    def matches(self, scope: Mapping[str, Any]) -> tuple[Match, Any]:
        """As any route, where HTML is asked for."""
        accepted = b",".join(value for name, value in scope.get("headers", ()) if name == b"accept")
        return super().matches(scope) if b"text/html" in accepted else (Match.NONE, {})  # type: ignore[arg-type]


router = APIRouter(include_in_schema=False, route_class=_HtmlRoute)


@router.get("/rules")
def listed(
    request: Request, service: CurrentService, q: str = "", topic: str = "", evidence: str = "", local: str = ""
) -> Response:
    """The rules that hold every word of ``q``; of one ``topic``, with one kind of ``evidence``, changed by the site."""
    ruleset = service.content.ruleset
    words = q.lower().split()
    changed = {change.name for change in ruleset.local_changes}
    found = [
        rule
        for rule in ruleset.rules.values()
        if topic in ("", rule.topic)
        and (not evidence or evidence in ruleset.evidence(rule))
        and (not local or rule.local or changed & set(rule.parameters))
        and _holds(ruleset, rule, words)
    ]
    return page(
        request,
        "rules.html",
        ruleset=ruleset,
        found=found,
        topics=list(dict.fromkeys(rule.topic for rule in ruleset.rules.values())),
        kinds=EVIDENCE,
        asked={"q": q, "topic": topic, "evidence": evidence, "local": local},
    )


@router.get("/rules/{rule_id}")
def shown(request: Request, rule_id: str, service: CurrentService) -> Response:
    """One rule in words: when, what then, why, on what evidence, and the rules next to it."""
    ruleset = service.content.ruleset
    rule = ruleset.rules.get(rule_id)
    if rule is None:
        raise RefusedCall(
            404, [Issue("rule_id", f"no rule is called {rule_id[:100]!r}; /rules lists them", "not-found")]
        )
    return page(
        request,
        "rule.html",
        ruleset=ruleset,
        rule=rule,
        when=condition_lines(rule.when),
        then=list(describe_effects(ruleset, rule)),
        before=_concluding(ruleset, rule.reads),
        after=[other for other in ruleset.rules.values() if other.reads & rule.writes],
    )


def _holds(ruleset: Ruleset, rule: Rule, words: Iterable[str]) -> bool:
    text = describe_rule(ruleset, rule).lower()
    return all(word in text for word in words)


def _concluding(ruleset: Ruleset, facts: Iterable[str]) -> list[Rule]:
    return list({rule.id: rule for fact in sorted(facts) for rule in ruleset.concluding.get(fact, ())}.values())
