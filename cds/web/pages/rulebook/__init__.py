"""The rules in a browser: to search and read, on the map of sizes, and what the site's own content changes."""
