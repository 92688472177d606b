"""plumbelt: a serial-link tuning agent for tilted-gantry conveyor-belt printers."""

__version__ = "0.3.0"
