"""Calipers, dial and height gauges on a serial port of their own: what a line of theirs means."""
