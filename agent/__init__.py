"""plumbelt: a serial-link tuning agent for tilted-gantry conveyor-belt printers."""

import os

__version__ = "0.3.3"

# The matrices of an estimate are small.  On several threads they are slower, and by tens of times
# on a computer that does something else; it must be said before the library is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
