"""Reads what a prefetch lacked from the client's FHIR server."""
