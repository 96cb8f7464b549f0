"""The pages that people open in a browser: rendered here, with nothing loaded from elsewhere and nothing of a patient kept."""
