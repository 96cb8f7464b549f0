"""Replay: the rules over a whole export of an EHR, in bounded memory, and what comes out counted."""
