"""FHIR operations on what is published: what goes in, read strictly, and what a decision is in the answer of each."""
