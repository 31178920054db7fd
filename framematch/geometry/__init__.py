"""Lens models, cameras, mounts and the pairing that holds them: rays to pixels and back."""
