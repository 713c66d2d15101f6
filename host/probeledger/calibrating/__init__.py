"""Calibrating a tester: references, regression, control charts, certificate; pure computing apart from files."""
