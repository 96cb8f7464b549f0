"""One module for each CDS Hooks service."""
