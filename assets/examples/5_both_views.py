"""Both views 3 m before the pane, drawn without a graphics card: python 5_both_views.py FOLDER."""

import sys
from pathlib import Path

from PIL import Image

from framematch import read_pairing
from framematch.files.shot import read_shot
from framematch.render.views import both_views
from framematch.scene.open import scene_of

folder = Path(sys.argv[1] if len(sys.argv) > 1 else "views")
folder.mkdir(parents=True, exist_ok=True)
file = Path(__file__).with_name("glasshouse.toml")
pairing = read_pairing(file)
shot = read_shot(pairing, file)
v = both_views(scene_of(shot), pairing, shot.scene_from_recording(3.0), height_px=180, renderer="rays")
Image.fromarray(v.wide.colour).save(folder / "goggles.png")
Image.fromarray(v.frame.colour).save(folder / "recorded.png")
print(f"goggles {v.wide.colour.shape[1]} x {v.wide.colour.shape[0]}, recorded frame {v.frame.colour.shape[1]} x {v.frame.colour.shape[0]} px")
