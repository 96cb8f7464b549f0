"""What a site brings: its rule overlay, code map and catalogue, loaded and checked as one content."""
