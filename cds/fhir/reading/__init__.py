"""FHIR records in, facts out, each with where it came from; what is refused is listed with the reason.

``reader.read(sent, ruleset, code_map, at)`` gives a ``Reading``. No FHIR model is built on the way: every reader must bear
any JSON anywhere, and a property test holds it to that. What codes mean stands in ``code_map.yaml`` and in a site's file; the
facts' own codes need no entry.

Choices that are not obvious: a contradiction of the same moment makes the fact unknown, except for the dangers under
``safer`` in the code map; a refused newer value does not hide an older one, but is listed; a partial birth date is used only
where every age that it allows decides alike; a running use of a collar and a running encounter do not grow stale; a refuted
diagnosis is a no that any other record overrules.
"""
