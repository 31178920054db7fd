"""What people hand over or get back as text, read into values: pairings, shots, frames."""
