"""Guided tests: measurements in a fixed order, each behind its interlocks."""
