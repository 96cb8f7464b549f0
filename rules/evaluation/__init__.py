"""Which rules fire for one patient, on durable_rules and in plain Python, and what follows from it."""
