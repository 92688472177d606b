"""The verbs of the workshop, and its page."""
