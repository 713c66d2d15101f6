"""Reports for people: the day sheet."""
