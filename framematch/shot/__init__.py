"""Where and how it is flown, as values."""
