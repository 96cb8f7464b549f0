"""A site's sign-off: the changes of its overlays that somebody read and answers for, kept beside the last overlay.

``nuque rules compare --sign-off`` writes it, a person fills in name and date, and the gate accepts exactly what it lists. It is
bound to the hash of the effective content: after any change of the content or of an overlay it has to be written and read anew.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError

from rules.errors import KnowledgeError, Place, in_plain_words
from rules.loading.yaml_reader import YamlFile
from rules.model.facts import FactValue
from rules.verification.quality_gate import Findings

_HEAD = """\
# What the overlays change, patient by patient, written by `nuque rules compare --sign-off`. Read every change. Whoever answers
# for them fills in signed_by (a name) and date (YYYY-MM-DD); nothing else may be edited. Valid for this content alone.
"""
Words = Annotated[str, StringConstraints(strip_whitespace=True)]


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SignedChange(_Shape):
    """One change, and everybody for whom it comes: worked cases by their names, and generated patients."""

    change: str
    patients: tuple[str, ...]


class SignOff(_Shape):
    """Who signed which changes of which effective content, and when. ``generated`` holds the facts of generated patients."""

    effective: str
    signed_by: Words | None = None
    date: dt.date | None = None
    unproved: tuple[str, ...] = ()
    changes: tuple[SignedChange, ...] = ()
    generated: dict[str, dict[str, FactValue]] = {}

    @classmethod
    def of(cls, findings: Findings, effective: str) -> SignOff:
        """One to be signed, of the ``findings`` of the gate on the content with the hash ``effective``."""
        patients: dict[str, list[str]] = {}
        for one in findings.changed:
            for change in dict.fromkeys(one.changes):
                patients.setdefault(change, []).append(one.patient)
        return cls(
            effective=effective,
            unproved=findings.unproved,
            changes=tuple(SignedChange(change=change, patients=tuple(names)) for change, names in patients.items()),
            generated={one.patient: dict(one.facts) for one in findings.changed if one.facts is not None},
        )

    @classmethod
    def read(cls, path: Path) -> SignOff:
        """The one in ``path``. Raises KnowledgeError."""
        file = YamlFile.read(path, path.name)
        try:
            return cls.model_validate(file.data)
        except ValidationError as error:
            problems = [
                (Place(path.name, path=".".join(map(str, one["loc"]))), in_plain_words(one)) for one in error.errors()
            ]
            raise KnowledgeError(problems) from error

    def written(self) -> str:
        """As a file."""
        return _HEAD + yaml.safe_dump(self.model_dump(mode="json"), sort_keys=False, allow_unicode=True, width=120)


def beside(overlays: Sequence[Path]) -> Path:
    """Where the sign-off of ``overlays`` (at least one) is kept: ``site.yaml`` has ``site.signed.yaml``."""
    return overlays[-1].with_suffix(".signed.yaml")


def unsigned(findings: Findings, effective: str, overlays: Sequence[Path]) -> list[str]:
    """Why ``findings`` of content with the hash ``effective`` are not covered by a signature; nothing where they are.

    The signature is looked for beside the files ``overlays``, the last of them.
    """
    if not findings.changed and not findings.unproved:
        return []
    path = beside(overlays)
    how = f"read the changes and sign them: `nuque rules compare --sign-off` writes {path.name}"
    if not path.exists():
        return [f"the overlays change decisions, and nobody signed that; {how}", *_named(findings)]
    try:
        signed = SignOff.read(path)
    except KnowledgeError as error:
        return str(error).splitlines()
    if signed.effective != effective:
        return [
            f"{path.name} was signed for other content ({signed.effective[:12]}, not {effective[:12]}); {how}",
            *_named(findings),
        ]
    if not signed.signed_by or signed.date is None:
        return [f"{path.name} is not signed: fill in signed_by and date"]
    return list(_differences(signed, SignOff.of(findings, effective), path.name))


def _named(findings: Findings) -> Iterator[str]:
    for one in findings.changed:
        yield f"{one.patient}: {'; '.join(one.changes)}"
    for name in findings.unproved:
        yield f"no longer holds: {name}"


def _differences(signed: SignOff, found: SignOff, name: str) -> Iterator[str]:
    was, now = ({one.change: set(one.patients) for one in side.changes} for side in (signed, found))
    for change in dict.fromkeys([*now, *was]):
        for patient in sorted(now.get(change, set()) - was.get(change, set())):
            yield f"{name} does not list {patient}: {change}"
        for patient in sorted(was.get(change, set()) - now.get(change, set())):
            yield f"{name} lists {patient}, for whom this does not come: {change}"
    for patient in sorted(found.generated):
        if signed.generated.get(patient) != found.generated[patient]:
            yield f"{name} says otherwise who {patient} is"
    for prop in sorted(set(signed.unproved) ^ set(found.unproved)):
        yield f"{name} and the proofs differ in {prop}"
