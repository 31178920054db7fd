"""Choosing a lens for a gap: this opening, this run and this aircraft, one row per lens."""

from framematch.gap.aircraft import Aircraft, Part, Prop
from framematch.gap.clearance import CAUTION, Clearance, clearance
from framematch.gap.lenses import camera_with, candidate_of
from framematch.gap.opening import SHAPES, SIDES, Gap
from framematch.gap.props import InShot, PropsReport, props_in_frame
from framematch.gap.run import Run
from framematch.gap.second import Match, match_second
from framematch.gap.table import AtDistance, Comparison, Row, compare, lens_row
from framematch.gap.values import Candidate, Plan, Second, Subject
from framematch.gap.view import Curves, Exit, curves, exits, out_of_frame_m
from framematch.gap.wishes import (
    Answer,
    distance_for_subject,
    focal_for_edges,
    focal_for_fill,
    focal_for_subject,
    stop_for_near,
    wished_camera,
)

__all__ = [
    "CAUTION",
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
    "Gap",
    "InShot",
    "Match",
    "Part",
    "Plan",
    "Prop",
    "PropsReport",
    "Row",
    "Run",
    "Second",
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
