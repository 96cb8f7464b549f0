"""What can go wrong with a replay as a whole."""

from rules.errors import NuqueError


class ReplayError(NuqueError):
    """A replay cannot be carried out; the message says why and what to do."""
