"""Figures, not tests: `python -m tests.benchmarks` prints them (each module has a `run`)."""
