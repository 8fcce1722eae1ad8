"""Benchmarks: scripts that print tables. Nothing here is collected by pytest."""
