"""The Parameters that an operation is called with, read strictly: each by the name, type and number of its definition.

Source: FHIR R4 (4.0.1), Operations and Parameters, http://hl7.org/fhir/R4/operations.html, http://hl7.org/fhir/R4/parameters.html
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from cds.operation_outcome import Issue, RefusedCall

_OF_PARAMETERS = frozenset({"resourceType", "id", "meta", "language", "parameter"})
_BESIDE_A_VALUE = frozenset({"id", "extension", "name"})


MOST_PROBLEMS = 20
"""Problems that one answer lists: a body of nothing but wrong entries would get an answer a hundred times its length."""


@dataclass(frozen=True)
class OperationParameter:
    """One input: its name, the elements that may hold it (``valueString``, ``resource``, ``part``), and how often it comes.

    ``resource`` is the type of a resource (None: any), ``parts`` what a ``part`` consists of. With ``refused`` the standard
    knows it and this service does not take it, for the reason that is given.
    """

    name: str
    holders: tuple[str, ...]
    least: int = 0
    most: Literal[1] | None = 1
    resource: str | None = None
    parts: tuple[OperationParameter, ...] = ()
    refused: str | None = None


class Held(NamedTuple):
    """A value that was given, as plain JSON (of a ``part`` what was given inside), and the path where it stands."""

    value: Any
    where: str


Given = Mapping[str, Sequence[Held]]
"""What was given, by the name of the parameter; a name that was not given has no key."""


def read_parameters(sent: object, takes: Sequence[OperationParameter], where: str = "Parameters") -> Given:
    """What the Parameters ``sent`` give, of those that the operation ``takes``.

    ``where`` is the path at which they stand. Raises RefusedCall with 400 and the first problems.
    """
    reader = _ParametersReader()
    given = reader.resource(sent, takes, where)
    if reader.problems:
        raise RefusedCall(400, reader.problems)
    return given


@dataclass
class _ParametersReader:
    """Reads Parameters to their end, and collects what is wrong with them."""

    problems: list[Issue] = field(default_factory=list)

    def wrong(self, where: str, message: str, code: str = "invalid") -> None:
        self.problems.append(Issue(where, message, code))

    def resource(self, sent: object, takes: Sequence[OperationParameter], where: str) -> Given:
        if not isinstance(sent, dict) or sent.get("resourceType") != "Parameters":
            self.wrong(f"{where}.resourceType", "send a resource of the type Parameters", "structure")
            return {}
        for name in sorted(sent.keys() - _OF_PARAMETERS)[:MOST_PROBLEMS]:
            self.wrong(
                f"{where}.{name}" if name.isidentifier() else where, "is not an element that is read here; leave it out"
            )
        return self.all(sent.get("parameter", []), takes, f"{where}.parameter")

    def all(self, sent: object, takes: Sequence[OperationParameter], where: str) -> Given:
        if not isinstance(sent, list):
            self.wrong(where, "must be a list of parameters", "structure")
            return {}
        known = {parameter.name: parameter for parameter in takes}
        given: dict[str, list[Held]] = {}
        times: Counter[str] = Counter()
        for number, entry in enumerate(sent):
            if len(self.problems) >= MOST_PROBLEMS:
                return given
            place = f"{where}[{number}]"
            name = entry.get("name") if isinstance(entry, dict) else None
            if not isinstance(name, str) or name not in known:
                usable = ", ".join(each.name for each in takes if each.refused is None)
                self.wrong(f"{place}.name", f"must be one of {usable}", "not-supported")
            else:
                times[name] += 1
                given.setdefault(name, []).extend(self.one(entry, known[name], place))
        for parameter in takes:
            self._count(parameter, times[parameter.name], where)
        return given

    def _count(self, parameter: OperationParameter, times: int, where: str) -> None:
        if times < parameter.least:
            self.wrong(where, f"{parameter.name} is missing; send it as {_described(parameter)}", "required")
        if parameter.most is not None and times > parameter.most:
            self.wrong(where, f"{parameter.name} is given {times} times; give it once")

    def one(self, entry: Mapping[str, Any], parameter: OperationParameter, where: str) -> Iterator[Held]:
        """What ``entry`` holds for ``parameter``, if it is held as it must be."""
        holders = sorted(entry.keys() - _BESIDE_A_VALUE)
        if parameter.refused is not None:
            self.wrong(where, f"{parameter.name} is not taken: {parameter.refused}", "not-supported")
        elif len(holders) != 1 or holders[0] not in parameter.holders:
            self.wrong(
                where, f"{parameter.name} must be held as {_described(parameter)}, and nothing beside it", "value"
            )
        else:
            (holder,) = holders
            yield from self._held(entry[holder], holder, parameter, f"{where}.{holder}")

    def _held(self, value: object, holder: str, parameter: OperationParameter, where: str) -> Iterator[Held]:
        if holder == "part":
            yield Held(self.all(value, parameter.parts, where), where)
        elif _is_held_as(value, holder, parameter.resource):
            yield Held(value, where)
        else:
            self.wrong(where, f"{parameter.name} must be {_described(parameter)}", "value")


def _is_held_as(value: object, holder: str, resource: str | None) -> bool:
    if holder == "valueBoolean":
        return isinstance(value, bool)
    if holder == "valueReference":
        return isinstance(value, dict) and isinstance(value.get("reference"), str)
    if holder == "resource":
        kind = value.get("resourceType") if isinstance(value, dict) else None
        return isinstance(kind, str) and kind == (resource or kind)
    return isinstance(value, str) and bool(value.strip())


def _described(parameter: OperationParameter) -> str:
    kinds = (parameter.resource if each == "resource" and parameter.resource else each for each in parameter.holders)
    return " or ".join(f"a {kind} resource" if kind[:1].isupper() else kind for kind in kinds)
