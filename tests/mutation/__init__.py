"""Mutation testing of the code that decides, reads, trusts and suggests, with mutmut."""
