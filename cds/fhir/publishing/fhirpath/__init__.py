"""The rule set in FHIRPath: facts out of a Bundle of FHIR records, what rules conclude, and the condition of each rule."""
