"""The evidence register as Markdown, drawn from the ruleset: each source, what rests on it, and what a site has to confirm."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from rules.model.ruleset import EvidenceKind, EvidenceSource, Parameter, Ruleset

_HEADINGS: dict[EvidenceKind, str] = {
    "published": "Published",
    "common_practice": "Common practice",
    "local_default": "Local defaults",
}
_WHO: dict[EvidenceKind, str] = {
    "published": "Read the source where it is marked as recalled from memory; confirm that local protocol follows it.",
    "common_practice": "No source stands behind these. The site's orthotist and spine nurse confirm them.",
    "local_default": "Starting values of this project. The site's clinical safety officer confirms them before use.",
}
_ANY_TOPIC = "clinical safety officer"


def evidence_page(ruleset: Ruleset) -> str:
    """Every source, rule and threshold of ``ruleset``, as one Markdown page that ends with a line feed."""
    return "\n".join([*_opening(ruleset), *_sources(ruleset), *_parameters(ruleset), *_rules(ruleset)]) + "\n"


def _opening(ruleset: Ruleset) -> Iterator[str]:
    yield "# Evidence"
    yield ""
    yield f"Drawn from the rule set {ruleset.name} {ruleset.version} by `nuque rules evidence`; do not edit by hand."
    yield ""
    counts = dict.fromkeys(_HEADINGS, 0)
    for rule in ruleset.rules.values():
        counts[ruleset.evidence(rule)[0]] += 1
    yield (
        f"{len(ruleset.rules)} rules, by the strongest evidence that each names: "
        + ", ".join(f"{_HEADINGS[kind].lower()} {count}" for kind, count in counts.items())
        + "."
    )
    partly = sum("local_default" in ruleset.evidence(rule)[1:] for rule in ruleset.rules.values())
    yield f"Of these, {partly} rest on a local default as well: the reason is published or common, the number is ours."


def _sources(ruleset: Ruleset) -> Iterator[str]:
    rests: dict[str, list[str]] = defaultdict(list)
    for rule in ruleset.rules.values():
        for cited in rule.sources:
            rests[cited].append(rule.id)
    for kind, heading in _HEADINGS.items():
        yield from ("", f"## {heading}", "", _WHO[kind], "", "| source | says | rules |", "|---|---|---|")
        for source in ruleset.sources.values():
            if source.kind == kind:
                yield f"| `{source.id}` | {_cell(_said(source))} | {len(rests[source.id])} |"


def _said(source: EvidenceSource) -> str:
    memory = " Recalled from memory." if source.from_memory else ""
    return " ".join([source.citation.rstrip(".") + ".", source.supports]).strip() + memory


def _parameters(ruleset: Ruleset) -> Iterator[str]:
    yield from (
        "",
        "## Thresholds",
        "",
        "| parameter | value | meaning | rests on | confirm |",
        "|---|---|---|---|---|",
    )
    for parameter in ruleset.parameters.values():
        confirm = "yes" if parameter.confirm else ""
        sources = ", ".join(f"`{cited}`" for cited in parameter.sources)
        value = _cell(_value(parameter))
        yield f"| `{parameter.name}` | {value} | {_cell(parameter.meaning)} | {sources} | {confirm} |"


def _value(parameter: Parameter) -> str:
    value = f"{parameter.value:g}" if isinstance(parameter.value, float) else str(parameter.value)
    return f"{value} {parameter.unit or ''}".strip()


def _rules(ruleset: Ruleset) -> Iterator[str]:
    topics: dict[str, list[str]] = defaultdict(list)
    for rule in ruleset.rules.values():
        kinds = ", ".join(kind.replace("_", " ") for kind in ruleset.evidence(rule))
        sources = ", ".join(f"`{cited}`" for cited in rule.sources)
        topics[rule.topic].append(f"| `{rule.id}` | {_cell(rule.because)} | {kinds} | {sources} |")
    for topic in sorted(topics):
        who = ruleset.confirmed_by.get(topic, _ANY_TOPIC)
        yield from ("", f"## Rules: {topic.replace('_', ' ')}", "", f"To be confirmed locally by: {who}.", "")
        yield "| rule | because | evidence | sources |"
        yield "|---|---|---|---|"
        yield from sorted(topics[topic])


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
