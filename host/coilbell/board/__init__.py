"""A tester on a port -> Records."""
