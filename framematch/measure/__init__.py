"""The rig measured from stills, and a guide checked from stills.

``stills`` reads pictures, ``chart`` finds the printed chart in them, ``lens`` and ``mount`` solve the
cameras and the mount from it (``bundle`` is the solver both use), ``check`` does without a chart,
``marks`` takes the aim from marks on a wall, ``pictures`` draws what was found.
"""
