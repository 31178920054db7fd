"""A scene with its cameras for other 3D programs: GLB (glTF 2.0) and, where usd-core is installed, USD."""

from __future__ import annotations

from pathlib import Path

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.output.exchange import glb, viewpoints
from framematch.output.usd import write_usd
from framematch.scene.model import Scene
from framematch.shot.way import Way
from framematch.text.whole import written_whole

SCENE_SUFFIXES = (".glb", ".usd", ".usda", ".usdc")


def write_exchange(path: Path, scene: Scene, pairing: Pairing, way: Pose | Way) -> None:
    """Write a scene and both cameras as the file's ending says: .glb, or .usda, .usdc, .usd.

    Args:
        way: where the rig stands, or the run it flies (written as an animation).

    Raises:
        InputError: another ending, no usd-core for USD, or the file can't be written.
    """
    kind = path.suffix.lower()
    if kind == ".glb":
        with written_whole(path) as beside:
            beside.write_bytes(glb(scene, viewpoints(pairing), way))
    elif kind in SCENE_SUFFIXES:
        write_usd(path, scene, viewpoints(pairing), way)
    else:
        raise InputError(f"'{path.suffix}' is not a scene file written here", file=str(path), fix="name it .glb, .usda or .usdc")
