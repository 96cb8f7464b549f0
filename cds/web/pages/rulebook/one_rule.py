"""One rule at an address of its own: when, what then, why, where it acts on the map, its cases, and what clinicians made of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from cds.fhir.codes import OVERRIDE_REASONS
from cds.operation_outcome import Issue, RefusedCall
from cds.security.caller import current_caller
from cds.site.rule_listing import condition_lines
from cds.storage.database import StoreDown
from cds.storage.rule_feedback import RuleFeedback
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.rendering import page
from cds.web.pages.rulebook.condition_words import condition_words
from cds.web.pages.rulebook.content_changes import shipped
from cds.web.pages.rulebook.html_route import HtmlRoute
from cds.web.pages.rulebook.line_map import LineMap, line_maps
from rules.loading.loader import KNOWLEDGE
from rules.loading.yaml_reader import YamlFile
from rules.model.rule_text import describe_effects
from rules.model.ruleset import Rule, Ruleset
from rules.testing.cases import Case, read_cases

router = APIRouter(tags=["pages"], default_response_class=HTMLResponse, route_class=HtmlRoute)


@router.get("/rules/{rule_id}", include_in_schema=False)
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
        when=condition_words(ruleset, rule.when),
        written=condition_lines(rule.when),
        then=list(describe_effects(ruleset, rule)),
        before=_concluding(ruleset, rule.reads),
        after=[other for other in ruleset.rules.values() if other.reads & rule.writes],
        confirming=ruleset.confirmed_by.get(rule.topic),
        cases=_of_rule(service, rule.id),
        acting=_acting(ruleset, rule.id),
        feedback=_feedback(service, rule.id),
        reasons=OVERRIDE_REASONS,
    )


@dataclass(frozen=True)
class Acting:
    """Where a rule acts on the map: the lines in every field of which it fires, and the pictures of those in part of which."""

    whole: tuple[str, ...]
    parts: tuple[LineMap, ...]


def _acting(ruleset: Ruleset, rule: str) -> Acting:
    maps = line_maps(ruleset)
    return Acting(
        whole=tuple(one.line for one in maps if one.everywhere(rule)),
        parts=tuple(one for one in maps if one.acting(rule) and not one.everywhere(rule)),
    )


def _feedback(service: Service, rule: str) -> RuleFeedback | None:
    """What the store knows; None where it cannot be read now."""
    try:
        return service.rule_feedback(rule, current_caller.get().tenant)
    except StoreDown:
        return None


@dataclass(frozen=True)
class RuleCases:
    """The worked cases in which a rule fires, and the near misses in which it stays silent."""

    fires: tuple[Case, ...]
    silent: tuple[Case, ...]


def _of_rule(service: Service, rule: str) -> RuleCases:
    folder, ruleset = service.settings.knowledge or KNOWLEDGE, service.content.ruleset
    # Only the files that name the rule are read: all of them together take a second of processor time.
    naming = [path for path in sorted((folder / "cases").glob("*.yaml")) if rule in path.read_text(encoding="utf-8")]
    # The worked cases are of the rules before a site changed them.
    plain = shipped(service) if naming else ruleset
    found = [case for path in naming for case in _cases(path, plain)]
    return RuleCases(
        fires=tuple(case for case in found if rule in case.fires),
        silent=tuple(case for case in found if rule in case.silent),
    )


def _cases(path: Path, ruleset: Ruleset) -> tuple[Case, ...]:
    return read_cases(ruleset, [YamlFile.read(path, f"cases/{path.name}")])


def _concluding(ruleset: Ruleset, facts: Iterable[str]) -> list[Rule]:
    return list({rule.id: rule for fact in sorted(facts) for rule in ruleset.concluding.get(fact, ())}.values())
