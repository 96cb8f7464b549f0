"""One module a command; ``cds.cli`` finds them here."""
