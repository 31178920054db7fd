"""The scenes, one file each."""
