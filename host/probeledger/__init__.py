"""probeledger: the shop's side of a pocket tester for oven temperature probes."""

__version__ = "0.1.0"
