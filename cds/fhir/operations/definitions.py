"""The operations that this service offers, by the definitions of the standards: their names, inputs and canonical URLs."""

from __future__ import annotations

from dataclasses import dataclass

from cds.fhir.operations.parameters import OperationParameter

_STRING, _BOOLEAN = ("valueString",), ("valueBoolean",)
_NO_ADDRESS = "no address that a call brings is ever asked; send the records as data"
_ONE_BUNDLE = "send all records in the one Bundle data"
_NOT_READ = "the decision does not read it, and leaves nothing unsaid: leave it out, what is known of the patient stands in data"

AT = OperationParameter("At", ("valueDateTime",))
"""The parameter of the Library: the moment of the decision."""


@dataclass(frozen=True)
class Operation:
    """One operation on artefacts of ``resource_type``: its name without the dollar sign, its definition, and what it takes.

    ``naming`` are the inputs that say which artefact is meant where the address does not. Where the address does, they are
    refused, or ignored if the definition says so.
    """

    resource_type: str
    name: str
    definition: str
    takes: tuple[OperationParameter, ...]
    naming: tuple[str, ...]
    naming_is_exclusive: bool = True


def _endpoints(*names: str) -> tuple[OperationParameter, ...]:
    return tuple(OperationParameter(name, ("resource", "valueUri"), most=None, refused=_NO_ADDRESS) for name in names)


_EVALUATION = (
    OperationParameter("parameters", ("resource",), resource="Parameters"),
    OperationParameter("useServerData", _BOOLEAN),
    OperationParameter("data", ("resource",), least=1, resource="Bundle"),
    OperationParameter("prefetchData", ("part",), most=None, refused=_ONE_BUNDLE),
    *_endpoints("dataEndpoint", "contentEndpoint", "terminologyEndpoint"),
)
"""What an evaluation of rules takes wherever it is asked for. ``data`` may be left out by the standard: a server that keeps
records has them. This one keeps none."""

APPLY = Operation(
    "PlanDefinition",
    "apply",
    "http://hl7.org/fhir/uv/cpg/OperationDefinition/cpg-plandefinition-apply",
    (
        OperationParameter("url", ("valueUri", "valueCanonical")),
        OperationParameter("version", _STRING),
        OperationParameter("planDefinition", ("resource",), resource="PlanDefinition"),
        OperationParameter("subject", _STRING, least=1),
        OperationParameter("encounter", _STRING),
        OperationParameter("practitioner", _STRING),
        OperationParameter("organization", _STRING),
        *(
            OperationParameter(name, ("valueCodeableConcept",), refused=_NOT_READ)
            for name in ("userType", "userLanguage", "userTaskContext", "setting", "settingContext")
        ),
        *_EVALUATION,
    ),
    naming=("url", "planDefinition"),
)
"""FHIR R4 (http://hl7.org/fhir/R4/operation-plandefinition-apply.html), with ``url``, ``version``, ``parameters`` and ``data``
as Clinical Practice Guidelines 2.0.0 adds them. ``subject`` repeats there; here a call is about one patient."""

EVALUATE = Operation(
    "Library",
    "evaluate",
    "http://hl7.org/fhir/uv/cql/OperationDefinition/cql-library-evaluate",
    (
        OperationParameter("url", ("valueCanonical", "valueUri")),
        OperationParameter("library", ("resource",), resource="Library"),
        OperationParameter("subject", _STRING),
        OperationParameter("expression", _STRING, most=None),
        *_EVALUATION,
    ),
    naming=("url", "library"),
)
"""Using CQL with FHIR 2.0.0 (http://hl7.org/fhir/uv/cql/STU2/OperationDefinition-cql-library-evaluate.html)."""

POPULATE = Operation(
    "Questionnaire",
    "populate",
    "http://hl7.org/fhir/uv/sdc/OperationDefinition/Questionnaire-populate",
    (
        OperationParameter(
            "identifier",
            ("valueIdentifier",),
            refused="no questionnaire published here has an identifier; send canonical",
        ),
        OperationParameter("canonical", ("valueUri", "valueCanonical")),
        OperationParameter(
            "questionnaire", ("resource", "valueUri", "valueCanonical", "valueReference"), resource="Questionnaire"
        ),
        OperationParameter("questionnaireRef", ("valueReference",)),
        OperationParameter("subject", ("valueReference",), least=1),
        OperationParameter(
            "context",
            ("part",),
            most=None,
            parts=(
                OperationParameter("name", _STRING, least=1),
                OperationParameter("content", ("resource",), least=1, most=None),
            ),
        ),
        OperationParameter("content", ("resource",), most=None),
        OperationParameter("data", ("resource",), resource="Bundle"),
        OperationParameter("local", _BOOLEAN),
        *_endpoints("dataEndpoint"),
    ),
    naming=("canonical", "questionnaire", "questionnaireRef"),
    naming_is_exclusive=False,
)
"""Structured Data Capture 3.0.0 (http://hl7.org/fhir/uv/sdc/STU3/OperationDefinition-Questionnaire-populate.html); ``data`` and
``dataEndpoint`` are those of 4.0.0, ``content`` that of the operation before either. Content comes as resources: no reference is
followed. ``local`` changes nothing: no records are kept here."""

CONTEXTS = ("patient", "sourceQueries")
"""What a context may be called: the launch context that the questionnaires declare, and the name for a Bundle of records."""

OPERATIONS = (APPLY, EVALUATE, POPULATE)
