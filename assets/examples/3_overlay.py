"""Overlays for the goggles with the always and ever areas: python 3_overlay.py FOLDER."""

import sys
from pathlib import Path

from framematch import guide_report, overlay_files, read_pairing

folder = Path(sys.argv[1] if len(sys.argv) > 1 else "overlay")
folder.mkdir(parents=True, exist_ok=True)
report = guide_report(read_pairing(Path(__file__).with_name("glasshouse.toml")))
# Keep the subject inside "always" and crew and lights outside "ever".
for name, data in overlay_files(report, parts=("always", "ever", "rectangle", "centre")).items():
    (folder / name).write_bytes(data)
    print(f"{name}: {len(data)} bytes")
