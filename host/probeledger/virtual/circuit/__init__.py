"""The tester's circuit and what is clipped to it, solved node by node."""
