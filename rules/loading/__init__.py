"""YAML files and a site's overlays in, a checked rule set out; every error names file, rule and key."""
