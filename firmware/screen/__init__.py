"""What the display shows."""
