"""A decision in, draft FHIR orders and a care plan out.

``proposal.suggested(decision, context)`` gives every resource of a decision; docs/fhir.md says what is in them. Names are
``urn:uuid`` and the same for the same decision.
"""
