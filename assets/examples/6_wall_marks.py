"""Where to tape the frame on a wall 3 m away, and where each mark must show. Propellers off."""

from pathlib import Path

from framematch import read_pairing
from framematch.guide.wall_marks import tape_lengths_mm, wall_marks

pairing = read_pairing(Path(__file__).with_name("glasshouse.toml"))
marks = wall_marks(pairing, 3.0)
for mark in marks:
    x, y = mark.display_px
    print(f"{mark.name}: tape {mark.right_mm:+.0f} mm right, {mark.up_mm:+.0f} mm up; must show at ({x:.0f}, {y:.0f}) px")
print("check the tape:", ", ".join(f"{name} {length:.0f} mm" for name, length in tape_lengths_mm(marks).items()))
