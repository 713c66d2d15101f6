"""The tester as a whole: its parts put together, the visit under way, and what the keys do."""
