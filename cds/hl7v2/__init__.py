"""HL7 Version 2 messages, for sites whose order system takes no FHIR orders."""
