"""The shipped content, read once for all tests of a process: nothing changes it, and reading it takes a third of a second."""

from rules.loading.loader import load_ruleset

RULESET = load_ruleset()
