"""Tests, campaigns and benchmarks."""

import agent  # noqa: F401  first of all: it says on how many threads the libraries work
