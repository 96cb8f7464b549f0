"""FHIR records in, facts out, each with where it came from; what is refused is listed with the reason."""
