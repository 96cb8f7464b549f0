"""A small FHIR server and a proxy that breaks its answers, each a process of its own."""
