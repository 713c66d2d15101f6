"""Drivers, one chip a file."""
