"""The guide of the glasshouse rig: what to type into the goggles, and how far off it is at each distance."""

from pathlib import Path

from framematch import guide_report, read_pairing

pairing = read_pairing(Path(__file__).with_name("glasshouse.toml"))
report = guide_report(pairing)
r = report.guide.rectangle
print(f"{pairing.title}: rectangle from ({r.left:.0f}, {r.top:.0f}) to ({r.right:.0f}, {r.bottom:.0f}) px")
for each in report.at:
    print(f"at {each.distance_m:5.2f} m the worst side is {each.error.worst:.1f} % of the frame off")
for line in report.warnings:
    print("!", line)
