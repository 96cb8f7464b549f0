"""Everything that is published, as one ImplementationGuide: what a package or a server holds, and of which FHIR."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Resource, present
from cds.fhir.publishing.metadata import heading
from rules.model.ruleset import Ruleset

FHIR_VERSION = "4.0.1"
LICENSE = "Apache-2.0"


def package_id(ruleset: Ruleset) -> str:
    """The name of the package that holds the guide to ``ruleset``."""
    return f"nuque.{code(ruleset.name)}"


def implementation_guide(ruleset: Ruleset, resources: Iterable[Resource], urls: Canonicals) -> Resource:
    """The guide of ``ruleset`` to ``resources``, which are in the order of the guide; ``urls`` has its canonical URL."""
    return present(
        **heading("ImplementationGuide", ruleset.name, ruleset.title, ruleset.disclaimer, ruleset, urls),
        packageId=package_id(ruleset),
        license=LICENSE,
        fhirVersion=[FHIR_VERSION],
        definition={
            "resource": [
                {
                    "reference": {"reference": f"{resource['resourceType']}/{resource['id']}"},
                    "name": resource["title"],
                    "exampleBoolean": False,
                }
                for resource in resources
            ]
        },
    )
