"""Judging at the shop: a stored record again, a reading typed in, and what it means for the oven."""
