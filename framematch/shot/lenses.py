"""Candidate lenses on the pairing's recording camera."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing
from framematch.optics.sharpness import focal_before_focusing_mm
from framematch.shot.values import Candidate

#: Focal lengths that a wish is looked for in, mm.
SHORTEST_MM, LONGEST_MM = 1.0, 1000.0


def own_lens(pairing: Pairing) -> Lens:
    """The pairing's recording lens as it is at infinity."""
    lens = pairing.recording.lens
    return replace(lens, focal_mm=focal_before_focusing_mm(image_distance_mm=lens.focal_mm, focus_m=pairing.focus_m))


def candidate_of(pairing: Pairing, focal_mm: float, *, name: str = "") -> Candidate:
    """A lens of which only the focal length is known, on the pairing's camera.

    The pairing's own focal length keeps its own distortion; any other has none, since that of one
    lens says nothing about another's. The projection and squeeze are the pairing's.
    """
    own = own_lens(pairing)
    name = name or f"{focal_mm:g} mm"
    if math.isclose(focal_mm, own.focal_mm, rel_tol=1e-6):
        return Candidate(name=name, lens=own)
    bare = replace(own, projection=own.model.bare_name, focal_mm=focal_mm, k=(), p=(0.0, 0.0))
    had = bool(own.k) or any(own.p)
    return Candidate(name=name, lens=bare, notes=("distortion not known, taken as none",) if had else ())


def focus_of(pairing: Pairing, candidate: Candidate) -> float:
    """The pairing's focus distance, or the candidate's closest if that is farther."""
    return max(pairing.focus_m, candidate.closest_m or 0.0)


def camera_with(pairing: Pairing, candidate: Candidate) -> Camera:
    """The recording camera with this lens at its focus."""
    return replace(pairing.recording, lens=candidate.lens.focused(focus_of(pairing, candidate)))


def covers_frame(pairing: Pairing, camera: Camera) -> bool:
    """Whether the lens images the frame's whole border."""
    return bool(camera.unproject(pairing.frame.border(np.linspace(0, 4, 33)))[1].all())
