"""From knowledge files to a Ruleset: reading, merging a site's overlay, checking, and naming exactly what is wrong where.

Every ``*.yaml`` file of a knowledge folder holds any of the sections ``ruleset``, ``facts``, ``retired_facts``, ``parameters``,
``sources``, ``topics``, ``axes``, ``tasks``, ``hands``, ``roles``, ``triggers`` and ``rules``; each file of its subfolder
``instructions`` holds the section ``instructions``, the words for patients in one language. All problems of a step are
collected and raised together.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from rules.errors import KnowledgeError, Place
from rules.loading import schema
from rules.loading.rule_parser import DefinedNames, read_rule
from rules.loading.stratification import layered
from rules.loading.yaml_reader import YamlFile
from rules.model.facts import FactDefinition, RetiredFact, Vocabulary
from rules.model.ruleset import (
    Axis,
    Estimate,
    EvidenceSource,
    Hand,
    InstructionText,
    LeafletText,
    LocalChange,
    Parameter,
    Rule,
    Ruleset,
    TaskDefinition,
)

KNOWLEDGE = Path(__file__).parents[1] / "knowledge"

Model = TypeVar("Model", bound=BaseModel)


def load_ruleset(folder: Path = KNOWLEDGE, overlays: Iterable[Path] = ()) -> Ruleset:
    """Read ``folder`` and apply ``overlays`` (site files) in order. Raises KnowledgeError with every problem found."""
    files = sorted(folder.glob("*.yaml"))
    if not files:
        raise KnowledgeError([(Place(str(folder)), "no *.yaml file here; give a folder of knowledge files")])
    leaflets = [YamlFile.read(path, f"instructions/{path.name}") for path in sorted(folder.glob("instructions/*.yaml"))]
    return build_ruleset([*map(YamlFile.read, files), *leaflets], map(YamlFile.read, overlays))


def build_ruleset(files: Iterable[YamlFile], overlays: Iterable[YamlFile] = ()) -> Ruleset:
    """A Ruleset from parsed ``files`` and ``overlays``. Raises KnowledgeError with every problem found."""
    build = _RulesetBuilder()
    for file in files:
        build.take_file(file)
    for overlay in overlays:
        build.take_overlay(overlay)
    build.stop_if_problems()
    names = build.names()
    build.stop_if_problems()
    rules = build.read_rules(names)
    build.stop_if_problems()
    return build.finish(names, layered(rules))


class _RulesetBuilder:
    """One load in progress: what was found so far, and the problems."""

    def __init__(self) -> None:
        self.problems: list[tuple[Place, str]] = []
        self.sections: dict[str, dict[str, tuple[YamlFile, Any]]] = {name: {} for name in schema.SECTIONS}
        self.header: tuple[YamlFile, Any] | None = None
        self.rules: list[tuple[YamlFile, int, bool]] = []
        self.leaflets: list[tuple[YamlFile, schema.LeafletShape]] = []
        self.overlays: list[tuple[YamlFile, schema.OverlayShape]] = []
        self.content: list[Any] = []

    def stop_if_problems(self) -> None:
        if self.problems:
            raise KnowledgeError(self.problems)

    def take_file(self, file: YamlFile) -> None:
        self.content.append(file.data)
        if not isinstance(file.data, dict):
            self.problems.append((file.place(), "expected a mapping of sections at the top"))
            return
        for section, content in file.data.items():
            if section == "rules":
                self._take_rules(file, content, local=False)
            elif section == "ruleset":
                if self.header is not None:
                    self.problems.append((file.place(section), f"already described in {self.header[0].place(section)}"))
                self.header = (file, content)
            elif section == "instructions":
                self._take_leaflet(file, content)
            elif section in schema.SECTIONS:
                self._take_section(file, section, content)
            else:
                allowed = ", ".join(("ruleset", *schema.SECTIONS, "instructions", "rules"))
                self.problems.append((file.place(section), f"no section of this name; expected one of {allowed}"))

    def take_overlay(self, overlay: YamlFile) -> None:
        self.content.append(overlay.data)
        shape = self._shape(overlay, (), overlay.data, schema.OverlayShape)
        if shape is None:
            return
        self.overlays.append((overlay, shape))
        for section in ("sources", "tasks"):
            self._take_section(overlay, section, overlay.data.get(section, {}))
        self._take_rules(overlay, overlay.data.get("rules", []), local=True)

    def _take_section(self, file: YamlFile, section: str, content: Any) -> None:
        if not isinstance(content, dict):
            self.problems.append((file.place(section), "expected a mapping from names to definitions"))
            return
        for name, value in content.items():
            if name in self.sections[section]:
                earlier = self.sections[section][name][0].place(section, name)
                self.problems.append((file.place(section, name), f"already defined in {earlier}"))
            if not re.fullmatch(schema.NAME, name, re.ASCII):
                message = (
                    f"{name[:64]!a} cannot be a name: use at most 64 small letters, digits, - and _, a letter first"
                )
                self.problems.append((file.place(section, name), message))
            self.sections[section][name] = (file, value)

    def _take_leaflet(self, file: YamlFile, content: Any) -> None:
        shape = self._shape(file, ("instructions",), content, schema.LeafletShape)
        if shape is None:
            return
        for other, earlier in self.leaflets:
            if earlier.language == shape.language:
                message = f"the language {shape.language} is already written in {other.place('instructions')}"
                self.problems.append((file.place("instructions", "language"), message))
        self.leaflets.append((file, shape))

    def _take_rules(self, file: YamlFile, content: Any, *, local: bool) -> None:
        if not isinstance(content, list):
            self.problems.append((file.place("rules"), "expected a list of rules"))
            return
        self.rules.extend((file, index, local) for index in range(len(content)))

    def _shape(self, file: YamlFile, path: tuple[str | int, ...], value: object, shape: type[Model]) -> Model | None:
        found = schema.read(file, path, value, shape)
        if isinstance(found, list):
            self.problems.extend(found)
            return None
        return found

    def _models(self, section: str, shape: type[Model], **extra: str) -> dict[str, Model]:
        """Each entry of ``section`` as a ``shape``; ``extra`` maps a field to fill with the entry's name."""
        found: dict[str, Model] = {}
        for name, (file, value) in self.sections[section].items():
            named = {**value, **dict.fromkeys(extra.values(), name)} if isinstance(value, dict) else value
            model = self._shape(file, (section, name), named, shape)
            if model is not None:
                found[name] = model
        return found

    def _words(self, section: str) -> dict[str, str]:
        for name, (file, value) in self.sections[section].items():
            if not isinstance(value, str):
                self.problems.append((file.place(section, name), f"expected words, found {value!r}"))
        return {name: str(value) for name, (_, value) in self.sections[section].items()}

    # --- names -------------------------------------------------------------------------------------------------------

    def names(self) -> DefinedNames:
        facts = self._models("facts", FactDefinition, key="name")
        sources = {
            name: EvidenceSource(name, shape.kind, shape.citation, shape.supports, shape.from_memory)
            for name, shape in self._models("sources", schema.SourceShape).items()
        }
        parameters = self._parameters(sources)
        roles = self._words("roles")
        hands = {name: Hand(name, **vars(shape)) for name, shape in self._models("hands", schema.HandShape).items()}
        for name, fact in facts.items():
            for key, limit in fact.age_limits().items():
                if isinstance(limit, str) and limit not in parameters:
                    self._wrong("facts", name, key, f"no parameter called {limit!r}")
            if (fact.type == "code") != bool(fact.values):
                self._wrong("facts", name, "values", "expected values for a coded fact, and none for another")
        return DefinedNames(
            vocabulary=Vocabulary(facts, self._retired(facts)),
            parameters=parameters,
            sources=sources,
            confirmed_by={
                name: shape.confirmed_by for name, shape in self._models("topics", schema.TopicShape).items()
            },
            axes=self._axes(parameters),
            tasks=self._tasks(roles, hands),
            hands=hands,
            roles=roles,
            triggers=self._words("triggers"),
            instructions=self._instructions(),
        )

    def _retired(self, facts: dict[str, FactDefinition]) -> dict[str, RetiredFact]:
        retired = self._models("retired_facts", RetiredFact, key="name")
        for name, fact in retired.items():
            if name in facts:
                self._wrong("retired_facts", name, "code", "still defined under facts")
            for other in fact.instead:
                if other not in facts:
                    self._wrong("retired_facts", name, "instead", f"no fact called {other!r}")
        return retired

    def _wrong(self, section: str, name: str, key: str, message: str) -> None:
        file = self.sections[section][name][0]
        self.problems.append((file.place(section, name, key), message))

    def _parameters(self, sources: dict[str, EvidenceSource]) -> dict[str, Parameter]:
        local: dict[str, tuple[schema.Scalar, Place]] = {}
        shaped = self._models("parameters", schema.ParameterShape)
        for overlay, shape in self.overlays:
            for name, change in shape.parameters.items():
                place = overlay.place("parameters", name)
                if name not in shaped:
                    self.problems.append(
                        (place, f"no parameter called {name!r}; `nuque facts --parameters` lists them")
                    )
                local[name] = (change.value, place)
        found: dict[str, Parameter] = {}
        for name, parameter in shaped.items():
            value, place = local.get(
                name, (parameter.value, self.sections["parameters"][name][0].place("parameters", name))
            )
            problem = _parameter_problem(parameter, value)
            if problem is not None:
                self.problems.append((place, problem))
                value = parameter.value
            for cited in parameter.sources:
                if cited not in sources:
                    self._wrong("parameters", name, "sources", f"no source called {cited!r}")
            found[name] = Parameter(
                name=name,
                value=value,
                default=parameter.value,
                unit=parameter.unit,
                meaning=parameter.meaning,
                sources=parameter.sources,
                confirm=parameter.confirm,
                range=parameter.range,
                one_of=parameter.one_of,
                read_by=parameter.read_by,
            )
        return found

    def _axes(self, parameters: dict[str, Parameter]) -> dict[str, Axis]:
        axes: dict[str, Axis] = {}
        for name, shape in self._models("axes", schema.AxisShape).items():
            edges: list[float] = []
            for edge in shape.edges:
                if edge not in parameters:
                    self._wrong("axes", name, "edges", f"no parameter called {edge!r}")
                else:
                    edges.append(float(parameters[edge].value))
            if edges and len(edges) != len(shape.values) - 1:
                self._wrong(
                    "axes",
                    name,
                    "edges",
                    f"expected {len(shape.values) - 1} edges for {len(shape.values)} values",
                )
            if sorted(edges) != edges:
                found = ", ".join(f"{edge} {value:g}" for edge, value in zip(shape.edges, edges, strict=True))
                self._wrong("axes", name, "edges", f"the edges must rise; found {found}")
            words = dict(shape.words) if not edges else _band_words(shape, edges)
            if set(words) != set(shape.values):
                self._wrong("axes", name, "words", "expected words for each of the values")
            for value in sorted(set(shape.conditions) - set(shape.values)):
                self._wrong("axes", name, "conditions", f"no value called {value!r} on this axis")
            axes[name] = Axis(
                name=name,
                title=shape.title,
                values=shape.values,
                words=words,
                edges=tuple(edges),
                fact=shape.fact,
                silent=shape.silent,
                conditions=shape.conditions,
                estimate=None if shape.estimate is None else Estimate(shape.estimate.mean, shape.estimate.spread),
                largest=shape.largest,
            )
        self._check_largest(axes)
        return axes

    def _check_largest(self, axes: dict[str, Axis]) -> None:
        for name, axis in axes.items():
            for value, limits in axis.largest.items():
                known = value in axis.values
                if not known or any(most not in axes[other].values for other, most in limits.items() if other in axes):
                    self._wrong("axes", name, "largest", f"no value called {value!r}, or one of {dict(limits)}")
                if not set(limits) <= set(axes):
                    self._wrong("axes", name, "largest", f"no axis called one of {sorted(set(limits) - set(axes))}")

    def _instructions(self) -> tuple[str, ...]:
        """The ids of all instructions; each must be written in each language."""
        ids = tuple(dict.fromkeys(name for _, shape in self.leaflets for name in shape.texts))
        for file, shape in self.leaflets:
            absent = [name for name in ids if name not in shape.texts]
            if absent:
                self.problems.append((file.place("instructions", "texts"), f"not written here: {', '.join(absent)}"))
        return ids

    def _leaflet(self, file: YamlFile, shape: schema.LeafletShape, names: DefinedNames) -> LeafletText:
        used: set[str] = set()

        def words(text: str, *path: str | int) -> str:
            """``text`` on one line with its parameters filled in; ``path`` (keys, positions from 0) is where it stands."""
            try:
                return names.fill(" ".join(text.split()), used)
            except ValueError as error:
                self.problems.append((file.place("instructions", *path), str(error)))
                return text

        texts = {
            name: InstructionText(
                words(text.title, "texts", name, "title"),
                tuple(words(line, "texts", name, "lines", index) for index, line in enumerate(text.lines)),
            )
            for name, text in shape.texts.items()
        }
        title, notice = words(shape.title, "title"), words(shape.notice, "notice")
        return LeafletText(shape.language, title, notice, texts, tuple(sorted(used)), self._outdated(file, shape))

    def _outdated(self, file: YamlFile, shape: schema.LeafletShape) -> dict[str, tuple[Place, str]]:
        """The texts of ``shape`` that were translated from other words than those that stand there now."""
        if shape.translates is None:
            return {}
        source = next((other for _, other in self.leaflets if other.language == shape.translates), None)
        if source is None:
            message = f"no leaflet is written in {shape.translates!r}, which this one is said to translate"
            self.problems.append((file.place("instructions", "translates"), message))
            return {}
        return {
            name: (file.place("instructions", "texts", name), now)
            for name, text in shape.texts.items()
            if name in source.texts and text.of != (now := source.texts[name].fingerprint)
        }

    def _tasks(self, roles: dict[str, str], hands: dict[str, Hand]) -> dict[str, TaskDefinition]:
        tasks: dict[str, TaskDefinition] = {}
        for name, shape in self._models("tasks", schema.TaskShape).items():
            if shape.performer not in roles:
                self._wrong(
                    "tasks",
                    name,
                    "performer",
                    f"no role called {shape.performer!r}; there are: {', '.join(roles)}",
                )
            for hand in shape.hands:
                if hand not in hands:
                    self._wrong("tasks", name, "hands", f"no hand called {hand!r}; there are: {', '.join(hands)}")
            fields = shape.model_dump()
            fields["instruction"] = " ".join(shape.instruction.split())
            tasks[name] = TaskDefinition(id=name, **fields)
        return tasks

    # --- rules -------------------------------------------------------------------------------------------------------

    def read_rules(self, names: DefinedNames) -> list[Rule]:
        found: dict[str, Rule] = {}
        for file, index, local in self.rules:
            rule, problems = read_rule(file, ("rules", index), Path(file.file).stem, names, local=local)
            self.problems.extend(problems)
            if rule is None:
                continue
            if rule.id in found:
                self.problems.append((rule.place, f"rule {rule.id} already stands in {found[rule.id].place}"))
            found[rule.id] = rule
        for overlay, shape in self.overlays:
            for index, entry in enumerate(shape.switch_off):
                if found.pop(entry.rule, None) is None:
                    self.problems.append((overlay.place("switch_off", index, "rule"), f"no rule called {entry.rule!r}"))
        return list(found.values())

    def finish(self, names: DefinedNames, strata: tuple[tuple[Rule, ...], ...]) -> Ruleset:
        if self.header is None:
            raise KnowledgeError([(Place("ruleset.yaml"), "the section ruleset (name, version, title) is missing")])
        header = self._shape(self.header[0], ("ruleset",), self.header[1], schema.HeaderShape)
        leaflets = {shape.language: self._leaflet(file, shape, names) for file, shape in self.leaflets}
        self.stop_if_problems()
        assert header is not None
        canonical = json.dumps(self.content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        return Ruleset(
            name=header.name,
            version=header.version,
            title=header.title,
            disclaimer=" ".join(header.disclaimer.split()),
            vocabulary=names.vocabulary,
            axes=names.axes,
            parameters=names.parameters,
            sources=names.sources,
            confirmed_by=names.confirmed_by,
            tasks=names.tasks,
            hands=names.hands,
            roles=names.roles,
            triggers=names.triggers,
            leaflets=leaflets,
            strata=strata,
            local_changes=tuple(self._local_changes(names, strata)),
            hash=hashlib.sha256(canonical.encode()).hexdigest(),
        )

    def _local_changes(self, names: DefinedNames, strata: tuple[tuple[Rule, ...], ...]) -> Iterable[LocalChange]:
        for _, shape in self.overlays:
            for name, change in shape.parameters.items():
                default = names.parameters[name].default
                yield LocalChange("parameter", name, change.because, default, change.value)
            for entry in shape.switch_off:
                yield LocalChange("switched_off", entry.rule, entry.because)
        for rule in (rule for stratum in strata for rule in stratum if rule.local):
            yield LocalChange("added", rule.id, rule.because)


def _parameter_problem(parameter: schema.ParameterShape, value: schema.Scalar) -> str | None:
    """Why ``value`` cannot stand for ``parameter``, or None where it can."""
    if _kind(value) != _kind(parameter.value):
        return f"expected a {_kind(parameter.value)} like the default, found {value!r}"
    if parameter.range is not None and isinstance(value, (int, float)):
        low, high = parameter.range
        if not low <= value <= high:
            return f"{value!r} is outside the allowed range {low:g} to {high:g}"
    if parameter.one_of and value not in parameter.one_of:
        return f"{value!r} is not allowed; expected one of {', '.join(parameter.one_of)}"
    return None


def _kind(scalar: schema.Scalar) -> str:
    if isinstance(scalar, bool):
        return "yes/no value"
    return "number" if isinstance(scalar, (int, float)) else "word"


def _band_words(shape: schema.AxisShape, edges: list[float]) -> dict[str, str]:
    """``height under 45 mm``, ``height 45-59 mm``, ``height 90 mm or more``."""
    measure = shape.measure or shape.title
    words = {shape.values[0]: f"{measure} under {edges[0]:g} mm"}
    for value, low, high in zip(shape.values[1:], edges, edges[1:], strict=False):
        words[value] = f"{measure} {low:g} to under {high:g} mm"
    words[shape.values[-1]] = f"{measure} {edges[-1]:g} mm or more"
    return words
