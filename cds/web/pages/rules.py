"""The rules, to search and to read: the list, and each rule at an address of its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.routing import APIRoute
from starlette.routing import Match

from cds.operation_outcome import Issue, RefusedCall
from cds.site.rule_listing import condition_lines, describe_rule
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.rendering import page
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.rule_text import describe_effects
from rules.model.ruleset import Rule, Ruleset
from rules.testing.cases import Case, read_cases

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


@router.get("/rules/parameters")
def parameters(request: Request, service: CurrentService, confirm: str = "") -> Response:
    """Every number, switch and word that a site may change; or those alone that it is asked to ``confirm``."""
    ruleset = service.content.ruleset
    readers: dict[str, list[Rule]] = {}
    for rule in ruleset.rules.values():
        for name in rule.parameters:
            readers.setdefault(name, []).append(rule)
    shown = [one for one in ruleset.parameters.values() if one.confirm or not confirm]
    return page(
        request,
        "parameters.html",
        ruleset=ruleset,
        shown=shown,
        readers=readers,
        confirm=confirm,
        confirming={one.name: _confirming(ruleset, readers.get(one.name, ())) for one in shown},
        reasons={change.name: change.because for change in ruleset.local_changes},
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
        confirming=ruleset.confirmed_by.get(rule.topic),
        cases=_of_rule(service, rule.id),
    )


@dataclass(frozen=True)
class RuleCases:
    """The worked cases in which a rule fires, and the near misses in which it stays silent."""

    fires: tuple[Case, ...]
    silent: tuple[Case, ...]


def _of_rule(service: Service, rule: str) -> RuleCases:
    folder, ruleset = service.settings.knowledge or KNOWLEDGE, service.content.ruleset
    # Only the files that name the rule are read: all of them together take a second of processor time.
    naming = [path for path in sorted((folder / "cases").glob("*.yaml")) if rule in path.read_text(encoding="utf-8")]
    plain = _plain(folder, ruleset.hash) if naming and ruleset.local_changes else ruleset
    found = [case for path in naming for case in _cases(path, plain)]
    return RuleCases(
        fires=tuple(case for case in found if rule in case.fires),
        silent=tuple(case for case in found if rule in case.silent),
    )


@lru_cache(maxsize=1)
def _plain(folder: Path, content: str) -> Ruleset:
    """The rules before a site changed them, which the worked cases are of; read again when the ``content`` has changed."""
    return load_ruleset(folder)


def _cases(path: Path, ruleset: Ruleset) -> tuple[Case, ...]:
    return read_cases(ruleset, [YamlFile.read(path, f"cases/{path.name}")])


def _confirming(ruleset: Ruleset, readers: Iterable[Rule]) -> list[str]:
    """Who confirms a parameter that ``readers`` go by: whoever confirms their topics."""
    return list(dict.fromkeys(ruleset.confirmed_by[one.topic] for one in readers if one.topic in ruleset.confirmed_by))


def _holds(ruleset: Ruleset, rule: Rule, words: Iterable[str]) -> bool:
    text = describe_rule(ruleset, rule).lower()
    return all(word in text for word in words)


def _concluding(ruleset: Ruleset, facts: Iterable[str]) -> list[Rule]:
    return list({rule.id: rule for fact in sorted(facts) for rule in ruleset.concluding.get(fact, ())}.values())
