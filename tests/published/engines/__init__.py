"""The published knowledge applied by engines that others wrote, held against the decisions of the service.

``python -m tests.published.engines`` runs it on 10,000 generated patients.
"""
