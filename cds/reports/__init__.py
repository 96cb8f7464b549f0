"""Reports of the rule workbench: one list of blocks each, shown as text, as JSON, or as one self-contained HTML page."""
