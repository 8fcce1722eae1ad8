"""One module for each command; `coilbell.cli` holds the table."""
