"""Modes -> what they say of the winding. Pure numbers."""
