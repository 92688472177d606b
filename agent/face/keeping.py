"""Verbs of what is kept: `profile` (save, list, show, compare, restore), `log`, `mechanics`."""
