"""One patient: the decision, its explanation, and the next correction after a fit check."""
