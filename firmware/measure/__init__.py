"""What the tester measures, and how: which pins drive, in which order the converter reads, what is looked at first."""
