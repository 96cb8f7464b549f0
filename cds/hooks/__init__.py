"""CDS Hooks: the services, their cards and what the cards suggest."""
