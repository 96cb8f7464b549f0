"""FHIR R4 (4.0.1) at the border: what is read becomes facts, a decision becomes resources."""
