"""A decision in, draft FHIR orders and a care plan out."""
