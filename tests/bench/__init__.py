"""Benchmarks: ratios measured in one run, `uv run python -m tests.bench`. Not part of the tests."""
