"""A shot: where and how it is flown, as one value. Tables, pictures, sheets and files all derive from it."""

from __future__ import annotations

from dataclasses import dataclass, field

from numpy.typing import ArrayLike

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.shot.aircraft import Aircraft
from framematch.shot.flown import Course, Flown
from framematch.shot.lean import Flying
from framematch.shot.opening import Opening
from framematch.shot.place import Place
from framematch.shot.run import Run
from framematch.shot.values import Candidate, Second, Subject


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A shot.

    Args:
        openings: in the order flown; none for a mesh of which no opening is known. The run passes the
            first one; distances, offsets and subjects are counted from it.
        subjects: who the run passes.
        candidates: lenses that could be taken.
        second: another camera for a hidden cut.
        course: the path or the log that is flown, where there is one; without, the straight run.
        flying: what the aircraft's lean along it comes from.
    """

    place: Place = field(default_factory=Place)
    openings: tuple[Opening, ...] = ()
    run: Run = field(default_factory=Run)
    aircraft: Aircraft | None = None
    subjects: tuple[Subject, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    second: Second | None = None
    course: Course | None = None
    flying: Flying = field(default_factory=Flying)

    @property
    def opening(self) -> Opening:
        """The opening that the run passes.

        Raises:
            InputError: none is known.
        """
        if not self.openings:
            raise InputError("no opening given", field="gap", fix="add [gap] with size_m = [1.2, 0.9], or --gap 1.2x0.9")
        return self.openings[0]

    @property
    def scenery(self) -> Shot:
        """What of it its scene depends on."""
        return Shot(place=self.place, openings=self.openings, subjects=self.subjects)

    @property
    def flown(self) -> Flown | None:
        """The course as the aircraft leans along it, the recording camera at its tilt on the airframe; None for a straight run.

        Raises:
            InputError: a run that pans from the heading: along a path the nose says where the camera looks.
        """
        if self.course is None:
            return None
        if self.run.pan_deg:
            raise InputError("along a path the camera looks where the nose points", field="run.pan_deg", fix="give [path] heading_deg or towards")
        tilt = self.aircraft.camera_tilt_deg if self.aircraft is not None else self.run.tilt_deg
        return Flown(course=self.course, flying=self.flying, camera_tilt_deg=tilt)

    def scene_from_recording(self, distance_m: ArrayLike) -> Pose:
        """Where the recording camera is and looks at distances (...) before the opening."""
        return self.opening.scene_from_opening @ self.run.opening_from_recording(distance_m)
