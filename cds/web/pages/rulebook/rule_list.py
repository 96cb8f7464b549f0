"""The rules as a whole: the list to search, what a site may change and does change, and the map of sizes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from textwrap import shorten

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from cds.operation_outcome import Issue, RefusedCall
from cds.site.rule_listing import describe_rule
from cds.web.dependencies import CurrentService
from cds.web.pages.rendering import page
from cds.web.pages.rulebook.content_changes import PATIENTS, shipped, site_changes
from cds.web.pages.rulebook.html_route import HtmlRoute
from cds.web.pages.rulebook.line_map import crowds, line_maps
from cds.web.pages.rulebook.workbench_results import results
from rules.model.quantity_words import quantity_words
from rules.model.ruleset import Parameter, Rule, Ruleset

EVIDENCE = ("published", "common_practice", "local_default")
_LONGEST_SOURCE = 90
"""Characters of a citation in a list to choose from."""


router = APIRouter(
    tags=["pages"],
    default_response_class=HTMLResponse,
    route_class=HtmlRoute,
    responses={404: {"description": "HTML was not asked for, or nothing has this name"}},
)


@router.get("/rules", include_in_schema=False)
def listed(
    request: Request,
    service: CurrentService,
    q: str = "",
    topic: str = "",
    evidence: str = "",
    source: str = "",
    local: str = "",
) -> Response:
    """The rules that hold every word of ``q``; of one ``topic``, on one kind of ``evidence`` or one ``source``, or of the site."""
    ruleset = service.content.ruleset
    words = q.lower().split()
    changed = {change.name for change in ruleset.local_changes}
    found = [
        rule
        for rule in ruleset.rules.values()
        if topic in ("", rule.topic)
        and (not evidence or evidence in ruleset.evidence(rule))
        and (not source or source in rule.sources)
        and (not local or rule.local or changed & set(rule.parameters))
        and _holds(ruleset, rule, words)
    ]
    # What has the words in its title is what most people look for.
    found.sort(key=lambda rule: sum(word not in rule.title.lower() for word in words))
    return page(
        request,
        "rules.html",
        ruleset=ruleset,
        found=found,
        topics=list(dict.fromkeys(rule.topic for rule in ruleset.rules.values())),
        kinds=EVIDENCE,
        sources=_sources(ruleset),
        asked={"q": q, "topic": topic, "evidence": evidence, "source": source, "local": local},
    )


@router.get("/rules/parameters")
def parameters(request: Request, service: CurrentService, q: str = "", confirm: str = "") -> Response:
    """Every number, switch and word that a site may change; those that hold every word of ``q``, or are to ``confirm``."""
    ruleset = service.content.ruleset
    readers: dict[str, list[Rule]] = {}
    for rule in ruleset.rules.values():
        for name in rule.parameters:
            readers.setdefault(name, []).append(rule)
    possible = [one for one in ruleset.parameters.values() if one.confirm or not confirm]
    confirming = {one.name: _confirming(ruleset, readers.get(one.name, ())) for one in possible if one.confirm}
    words = q.lower().split()
    shown = [
        one for one in possible if _is_about(one, [*confirming.get(one.name, ()), *_titles(readers, one.name)], words)
    ]
    groups: dict[str, list[Parameter]] = {}
    # Under each of those who confirm it: everybody finds all of theirs in one place; last what asks for nobody.
    # What has the words in its own meaning is what most people look for.
    for one in sorted(shown, key=lambda one: (one.name not in confirming, not _is_about(one, (), words))):
        for who in confirming.get(one.name, ["nobody"]):
            groups.setdefault(who, []).append(one)
    return page(
        request,
        "parameters.html",
        ruleset=ruleset,
        groups=groups,
        confirming=confirming,
        shown=shown,
        readers=readers,
        asked={"q": q, "confirm": confirm},
        reasons={change.name: change.because for change in ruleset.local_changes},
    )


@router.get("/rules/map")
def mapped(request: Request, service: CurrentService, cohort: str = "") -> Response:
    """The size to try first over height and circumference, one picture a line; over it the patients of a ``cohort``."""
    maps, found = line_maps(service.content.ruleset), results(service.settings.results)
    if cohort and cohort not in found.maps:
        problem = f"no cohort is called {cohort[:100]!r}; /rules/map lists them"
        raise RefusedCall(404, [Issue("cohort", problem, "not-found")])
    shown = found.maps.get(cohort)
    return page(
        request,
        "map.html",
        ruleset=service.content.ruleset,
        maps=maps,
        found=found,
        name=cohort,
        shown=shown,
        crowds={one.line: crowds(one, shown.cells(one.line) if shown else ()) for one in maps},
        patients={one.line: sum(cell.patients for cell in shown.cells(one.line)) for one in maps} if shown else {},
    )


@router.get("/rules/changes")
def changed(request: Request, service: CurrentService) -> Response:
    """The content as it is shipped beside what the site made of it, and whose decision comes out otherwise."""
    ruleset = service.content.ruleset
    return page(
        request,
        "changes.html",
        ruleset=ruleset,
        shipped=shipped(service),
        changes=site_changes(service),
        patients=PATIENTS,
        reasons={change.name: change.because for change in ruleset.local_changes},
    )


def _sources(ruleset: Ruleset) -> dict[str, str]:
    """The sources that a rule rests on, by their names, in words short enough for a list to choose from."""
    cited = {name for rule in ruleset.rules.values() for name in rule.sources}
    return {
        name: shorten(source.citation, _LONGEST_SOURCE, placeholder=" …")
        for name, source in ruleset.sources.items()
        if name in cited
    }


def _confirming(ruleset: Ruleset, readers: Iterable[Rule]) -> list[str]:
    """Who confirms a parameter that ``readers`` go by: whoever confirms their topics, or the site where it names nobody."""
    named = dict.fromkeys(ruleset.confirmed_by[one.topic] for one in readers if one.topic in ruleset.confirmed_by)
    return list(named) or ["the site"]


def _titles(readers: Mapping[str, Sequence[Rule]], parameter: str) -> list[str]:
    return [rule.title for rule in readers.get(parameter, ())]


def _is_about(parameter: Parameter, said: Iterable[str], words: Iterable[str]) -> bool:
    """Whether every one of ``words`` stands in name, meaning or value of ``parameter``, or in what is ``said`` of it."""
    value = quantity_words(parameter.value, parameter.unit)
    text = " ".join([parameter.name, parameter.meaning, value, *said]).lower()
    return all(word in text for word in words)


def _holds(ruleset: Ruleset, rule: Rule, words: Iterable[str]) -> bool:
    text = describe_rule(ruleset, rule).lower()
    return all(word in text for word in words)
