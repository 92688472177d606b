"""How fast plumbelt is, each figure as a ratio against a reference measured in the same run.

    python -m tests.benchmarks [--only NAME ...] [--quick] [--json FILE]

Nothing here is a test: a ratio on a busy machine says little, so none is asserted.  Ours and the
reference run in turn, A B A B, after a warm-up, and the medians are compared.
"""
