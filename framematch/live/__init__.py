"""Both views drawn by the visitor's own browser: what it needs of scene, cameras and path, packed; the module that draws it."""
