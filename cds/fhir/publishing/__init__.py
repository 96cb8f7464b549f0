"""The rule set as FHIR artefacts: PlanDefinition, Library, Questionnaire, terminology."""
