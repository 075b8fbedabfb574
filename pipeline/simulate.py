"""Whole groves over years as readings with known truth, for benchmarks and tests."""
