"""How fast plumbelt is, each figure as a ratio against a reference measured in the same run.

    python -m tests.benchmarks [--only NAME ...] [--quick] [--json FILE]

Nothing here is a test: a ratio on a busy machine says little, so none is asserted.  Ours and the
reference run in turn, A B A B, after a warm-up, and the medians are compared.
"""

import os

# Numerical libraries on one thread, ours and the reference alike: with several, small matrices
# are slower and their times wild on a machine that does something else.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
