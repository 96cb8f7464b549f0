"""The rule set as one library in Clinical Quality Language: facts out of FHIR records, rules, and what follows from them."""
