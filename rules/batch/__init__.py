"""A whole table of patients at once, and what the rules tell apart of each fact."""
