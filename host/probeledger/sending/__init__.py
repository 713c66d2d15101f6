"""Sending a shop's curves and limits to a tester, and finding them again for its records."""
