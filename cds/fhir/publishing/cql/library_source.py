"""The whole library in Clinical Quality Language, as text."""

from __future__ import annotations

from cds.fhir.publishing.cql import fact_definitions, outcomes
from cds.fhir.publishing.cql.syntax import name, text
from cds.fhir.publishing.expression_languages.notation import computable
from cds.fhir.reading.code_map import CodeMap
from rules.model.ruleset import Ruleset

FHIR_VERSION = "4.0.1"


def library_name(ruleset: Ruleset) -> str:
    """The name under which engines know the library of ``ruleset``."""
    return computable(ruleset.name)


def cql_library(ruleset: Ruleset, code_map: CodeMap) -> str:
    """``ruleset`` as one CQL library over FHIR R4, reading facts by the codes of ``code_map``.

    The definitions to ask for: ``Size Class``, ``Holds``, ``Cautions``, ``Tasks``, ``Rules That Fire``; each fact by its name.
    """
    parts = [
        f"library {name(library_name(ruleset))} version {text(ruleset.version)}\n",
        f"// {ruleset.title}. {ruleset.disclaimer}\n// Content: SHA-256 {ruleset.hash}\n",
        f"using FHIR version {text(FHIR_VERSION)}\n",
        "\n".join(fact_definitions.terminology(ruleset, code_map)) + "\n",
        '// The moment of the decision.\nparameter "At" DateTime default Now()\n',
        "context Patient\n",
        *fact_definitions.records(ruleset, code_map),
        *fact_definitions.recorded_facts(ruleset, code_map),
        *outcomes.conclusions(ruleset),
        *outcomes.rules(ruleset),
        *outcomes.size(ruleset),
        *outcomes.cautions(ruleset),
        *outcomes.tasks(ruleset),
    ]
    return "\n".join(parts)
