"""Models of the tester's chips, one file a part, true to their registers and commands."""
