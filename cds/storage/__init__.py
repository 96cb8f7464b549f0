"""What is kept: cards and feedback, used tokens, audit trail, encrypted decision records."""
