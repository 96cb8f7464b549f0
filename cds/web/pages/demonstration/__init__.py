"""Try a hook with an invented patient, as an EHR would call and draw it."""
