"""The virtual tester in a terminal: its display drawn with characters, its keys and the world on the keyboard."""
