"""What a ruleset promises beyond the properties that any ruleset has: data in ``knowledge/claims/*.yaml``, proved by z3.

Five kinds: a size that rises with a fact, a task that a risk never makes rarer or later, patients who get no size, patients
who are never offered some values of an axis, and a size that is withheld all the more as a fact goes further astray.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from rules.errors import KnowledgeError, Place
from rules.loading import schema
from rules.loading.loader import KNOWLEDGE
from rules.loading.rule_parser import DefinedNames, read_condition
from rules.loading.yaml_reader import YamlFile
from rules.model.conditions import AllOf, Condition
from rules.model.ruleset import Ruleset

CLAIMS = KNOWLEDGE / "claims"


class RisingShape(schema.Schema):
    """``rising``: more of the fact never gives a smaller value on the axis, all else equal."""

    axis: str
    fact: str


class RiskShape(schema.Schema):
    """One risk: ``worse`` is ``true`` or ``false`` (yes/no fact), ``higher`` or ``lower`` (number), or a list of codes."""

    fact: str
    worse: bool | Literal["higher", "lower"] | tuple[str, ...]


class NeverSlowerShape(schema.Schema):
    """``never_slower``: none of the risks makes the task less frequent, later, or left out, all else equal."""

    task: str
    risks: tuple[RiskShape, ...] = Field(min_length=1)


class NeverSizedShape(schema.Schema):
    """``never_sized``: the patients of ``where`` are offered none of the values on the axis."""

    axis: str
    values: tuple[str, ...] = Field(min_length=1)


class StaysWithheldShape(schema.Schema):
    """``stays_withheld``: a fact that is further in one direction never brings a size to whom none was given, all else equal."""

    fact: str
    further: Literal["higher", "lower"]


class ClaimShape(schema.Schema):
    """One entry of ``claims``: its id, what it says in words, exactly one of the five kinds, and for which patients.

    ``where`` is a condition as in a rule's ``when``; the claim speaks of patients for whom it is true. A claim of ``safety``
    holds for a site's overlay too: its failure cannot be signed off.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_.-]*$")
    says: str
    where: Any = "always"
    safety: bool = False
    rising: RisingShape | None = None
    never_slower: NeverSlowerShape | None = None
    no_size: Literal[True] | None = None
    never_sized: NeverSizedShape | None = None
    stays_withheld: StaysWithheldShape | None = None


@dataclass(frozen=True)
class Claim:
    """A claim that was read and checked against the names of a ruleset."""

    id: str
    says: str
    where: Condition
    rising: RisingShape | None
    never_slower: NeverSlowerShape | None
    no_size: bool
    never_sized: NeverSizedShape | None
    stays_withheld: StaysWithheldShape | None
    safety: bool
    place: Place


def load_claims(ruleset: Ruleset, folder: Path = CLAIMS) -> tuple[Claim, ...]:
    """Every claim of the ``*.yaml`` files in ``folder`` (none where there is none), read against ``ruleset``.

    Raises KnowledgeError with every problem found.
    """
    return read_claims(ruleset, [YamlFile.read(path, f"claims/{path.name}") for path in sorted(folder.glob("*.yaml"))])


def read_claims(ruleset: Ruleset, files: Iterable[YamlFile]) -> tuple[Claim, ...]:
    """The claims of parsed ``files``, checked against ``ruleset``. Raises KnowledgeError with every problem found."""
    problems: list[tuple[Place, str]] = []
    found: dict[str, Claim] = {}
    names = DefinedNames(
        vocabulary=ruleset.vocabulary,
        parameters=ruleset.parameters,
        sources=ruleset.sources,
        axes=ruleset.axes,
        tasks=ruleset.tasks,
        hands=ruleset.hands,
        roles=ruleset.roles,
        triggers=ruleset.triggers,
    )
    for file in files:
        if (
            not isinstance(file.data, dict)
            or list(file.data) != ["claims"]
            or not isinstance(file.data["claims"], list)
        ):
            problems.append((file.place(), "expected one key at the top, claims, with a list below it"))
            continue
        for index, value in enumerate(file.data["claims"]):
            shape = schema.read(file, ("claims", index), value, ClaimShape)
            if isinstance(shape, list):
                problems.extend(shape)
                continue
            place = file.place("claims", index, "id")
            problems.extend((place, f"claim {shape.id}: {message}") for message in _problems(ruleset, shape))
            if shape.id in found:
                problems.append((place, f"a claim called {shape.id} already stands in {found[shape.id].place}"))
            where: Condition = AllOf(())
            if "where" in value:
                where, wrong = read_condition(file, ("claims", index, "where"), names)
                problems.extend(wrong)
            found[shape.id] = Claim(
                id=shape.id,
                says=shape.says,
                where=where,
                rising=shape.rising,
                never_slower=shape.never_slower,
                no_size=shape.no_size is True,
                never_sized=shape.never_sized,
                stays_withheld=shape.stays_withheld,
                safety=shape.safety,
                place=place,
            )
    if problems:
        raise KnowledgeError(problems)
    return tuple(found.values())


def _problems(ruleset: Ruleset, shape: ClaimShape) -> Iterable[str]:
    kinds = (shape.rising, shape.never_slower, shape.no_size, shape.never_sized, shape.stays_withheld)
    if sum(kind is not None for kind in kinds) != 1:
        yield "give exactly one of rising, never_slower, no_size, never_sized and stays_withheld"
    if shape.never_sized is not None:
        if shape.never_sized.axis not in ruleset.axes:
            yield f"no size axis called {shape.never_sized.axis!r}; there are: {', '.join(ruleset.axes)}"
        elif wrong := sorted(set(shape.never_sized.values) - set(ruleset.axes[shape.never_sized.axis].values)):
            yield f"no value called {', '.join(wrong)} on the axis {shape.never_sized.axis}"
    if shape.rising is not None:
        if shape.rising.axis not in ruleset.axes:
            yield f"no size axis called {shape.rising.axis!r}; there are: {', '.join(ruleset.axes)}"
        yield from _number_problems(ruleset, shape.rising.fact)
    if shape.stays_withheld is not None:
        yield from _number_problems(ruleset, shape.stays_withheld.fact)
    if shape.never_slower is not None:
        if shape.never_slower.task not in ruleset.tasks:
            yield f"no task called {shape.never_slower.task!r}; there are: {', '.join(ruleset.tasks)}"
        for risk in shape.never_slower.risks:
            yield from _risk_problems(ruleset, risk)


def _number_problems(ruleset: Ruleset, name: str) -> Iterable[str]:
    fact = ruleset.vocabulary.get(name)
    if fact is None or not fact.numeric or fact.given == "concluded":
        yield f"{name!r} is not a number that can be observed"


def _risk_problems(ruleset: Ruleset, risk: RiskShape) -> Iterable[str]:
    fact = ruleset.vocabulary.get(risk.fact)
    if fact is None or fact.given == "concluded":
        yield f"{risk.fact!r} is not a fact that can be observed"
    elif fact.type == "boolean" and not isinstance(risk.worse, bool):
        yield f"{risk.fact} is a yes/no fact, so worse is true or false; found {risk.worse!r}"
    elif fact.numeric and risk.worse not in ("higher", "lower"):
        yield f"{risk.fact} is a number, so worse is higher or lower; found {risk.worse!r}"
    elif fact.type == "code":
        codes = risk.worse if isinstance(risk.worse, tuple) else ()
        wrong = [code for code in codes if code not in fact.values]
        if wrong or not codes:
            yield f"{risk.fact} is coded, so worse is a list of some of {', '.join(fact.values)}"
