"""The decision: facts about one patient in, a traceable collar decision out.

This package can be imported alone. It knows neither FHIR nor HTTP, reads no clock and opens no socket:
the moment of decision is an argument, and the clinical content is data beside the code.
"""

__version__ = "0.1.0.dev0"
