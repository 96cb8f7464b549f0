"""Defaults that more than one floor needs."""

from __future__ import annotations

DEFAULT_BASE = "https://nuque.example.org/fhir"
"""Base of the canonical URLs of what the service publishes, until a site sets its own."""
