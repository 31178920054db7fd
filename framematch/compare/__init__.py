"""Choosing a lens for a gap: this opening, this run and this aircraft, one row per lens."""

from framematch.compare.clearance import Clearance, clearance
from framematch.compare.props import InShot, PropsReport, props_in_frame
from framematch.compare.second import Match, match_second
from framematch.compare.seen import Curves, Exit, curves, exits, out_of_frame_m
from framematch.compare.table import AtDistance, Comparison, Row, compare, lens_row
from framematch.compare.wishes import (
    Answer,
    distance_for_subject,
    focal_for_edges,
    focal_for_fill,
    focal_for_subject,
    stop_for_near,
    wished_camera,
)
from framematch.shot.aircraft import Aircraft, Part, Prop
from framematch.shot.lenses import camera_with, candidate_of
from framematch.shot.opening import SHAPES, SIDES, Opening
from framematch.shot.run import Run
from framematch.shot.shot import Shot
from framematch.shot.values import Candidate, Second, Subject

__all__ = [
    "SHAPES",
    "SIDES",
    "Aircraft",
    "Answer",
    "AtDistance",
    "Candidate",
    "Clearance",
    "Comparison",
    "Curves",
    "Exit",
    "InShot",
    "Match",
    "Opening",
    "Part",
    "Prop",
    "PropsReport",
    "Row",
    "Run",
    "Second",
    "Shot",
    "Subject",
    "camera_with",
    "candidate_of",
    "clearance",
    "compare",
    "curves",
    "distance_for_subject",
    "exits",
    "focal_for_edges",
    "focal_for_fill",
    "focal_for_subject",
    "lens_row",
    "match_second",
    "out_of_frame_m",
    "props_in_frame",
    "stop_for_near",
    "wished_camera",
]
