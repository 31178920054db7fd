"""Which lens for the pane: what each shows at 2 m, and what the guide is worth with it. Advice, not clearance."""

from pathlib import Path

from framematch import read_pairing
from framematch.compare.report import safety_lines
from framematch.compare.table import compare
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER_PLAN

pairing = read_pairing(Path(__file__).with_name("glasshouse.toml"))
shot = parse_shot(pairing, STARTER_PLAN)
found = compare(pairing, shot)
for row in found.rows:
    print(f"{row.candidate.name}: frame angle across {row.angles.horizontal:.1f} degrees")
for line in safety_lines(found):
    print("!", line)
