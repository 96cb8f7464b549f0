"""What the other packages speak of: facts, conditions, rules, the rule set and the decision, as immutable values."""
