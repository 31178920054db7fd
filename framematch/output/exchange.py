"""A scene with its cameras as GLB (glTF 2.0), and what USD needs of them too.

Both formats know straight lenses only. A camera keeps its focal length and aperture; how its lens really
bends goes beside it as a note that a program may read (glTF ``extras``, USD custom data).
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.scene.mesh_colour import linear_from_srgb
from framematch.scene.model import Floats, Scene
from framematch.shot.place import LEVEL
from framematch.shot.way import Way

NEAR_M = 0.01
FRAMES_PER_S = 30  # of a run's keys


@dataclass(frozen=True, kw_only=True, eq=False)
class Viewpoint:
    """A camera and how it stands in the rig; None for the recording camera, whose axes the rig's are."""

    name: str
    camera: Camera
    recording_from_camera: Pose | None = None


def viewpoints(pairing: Pairing) -> tuple[Viewpoint, Viewpoint]:
    """Both cameras of a pairing."""
    monitoring = Viewpoint(name="monitoring", camera=pairing.monitoring, recording_from_camera=pairing.mount.pose)
    return Viewpoint(name="recording", camera=pairing.recording), monitoring


def yfov_rad(camera: Camera) -> float:
    """Vertical angle of the straight lens with the camera's focal length and aperture: 2 atan(h / 2f)."""
    return 2 * math.atan(camera.sensor_mm[1] / (2 * camera.lens.focal_mm))


def aspect_ratio(camera: Camera) -> float:
    """Width over height of the de-squeezed picture."""
    return camera.sensor_mm[0] * camera.lens.squeeze / camera.sensor_mm[1]


def lens_note(camera: Camera) -> dict[str, Any]:
    """What a straight stand-in camera leaves out, in plain values."""
    lens = camera.lens
    return {
        "projection": lens.projection,
        "focal_mm": float(lens.focal_mm),
        "k": [float(v) for v in lens.k],
        "p": [float(v) for v in lens.p],
        "squeeze": float(lens.squeeze),
        "sensor_mm": [float(v) for v in camera.sensor_mm],
        "raster_px": [int(v) for v in camera.raster_px],
        "centre_px": [float(v) for v in camera.centre_px],
        "note": "straight" if lens.projection == "rectilinear" else "this camera is straight; the real lens bends as projection, k and p say",
    }


def rig_keys(way: Pose | Way) -> tuple[Floats, Floats]:
    """Times (K,) in seconds and rig poses (K, 4, 4) as nodes have them: what looks along -Z with +Y up, into scene axes."""
    if isinstance(way, Pose):
        return np.zeros(1), way.matrix[None] @ LEVEL4
    times = np.append(np.arange(0.0, way.duration_s, 1 / FRAMES_PER_S), way.duration_s)
    return times, np.stack([way.pose(float(t)).matrix for t in times]) @ LEVEL4


def node_from_camera(viewpoint: Viewpoint) -> Floats:
    """(4, 4): a camera below its rig, both as nodes have them."""
    inside = viewpoint.recording_from_camera
    return np.eye(4) if inside is None else LEVEL4 @ inside.matrix @ LEVEL4


def glb(scene: Scene, cameras: Sequence[Viewpoint], way: Pose | Way) -> bytes:
    """The bytes of a GLB: the surface with its texture, a node ``rig`` and the cameras below it."""
    import trimesh

    surface = scene.surface
    material = trimesh.visual.material.PBRMaterial(name="surface", metallicFactor=0.0, roughnessFactor=1.0)
    texture = texture_png(scene)
    if texture is not None:
        material.baseColorTexture = _Saved(texture)
    uv = np.zeros((len(surface.vertices), 2)) if surface.uv is None else surface.uv
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False, visual=trimesh.visual.TextureVisuals(uv=uv, material=material))
    holder = trimesh.Scene()
    holder.add_geometry(mesh, node_name=scene.name, geom_name=scene.name)
    times, rigs = rig_keys(way)

    def add_data(buffers: Any, tree: Any) -> None:
        # glTF's colours are linear; sixteen bits keep the dark ones apart.
        colour = np.full((len(surface.vertices), 4), 65535, dtype="<u2")
        colour[:, :3] = np.round(linear_from_srgb(surface.colours / 255) * 65535)
        primitive = tree["meshes"][0]["primitives"][0]
        primitive["attributes"]["COLOR_0"] = _append(buffers, tree, colour, component=5123, kind="VEC4", normalized=True)
        if len(times) > 1:
            tree["animations"] = [_animation(buffers, tree, times, rigs)]

    def add_nodes(tree: Any) -> None:
        tree["cameras"] = [_gltf_camera(c) for c in cameras]
        first = len(tree["nodes"])
        placed = [{"name": c.name, "camera": i, "matrix": _matrix(node_from_camera(c))} for i, c in enumerate(cameras)]
        move, turn = _moved(rigs[0])
        rig = {"name": "rig", "translation": move, "rotation": turn, "children": [first + 1 + i for i in range(len(placed))]}
        tree["nodes"] += [rig, *placed]
        tree["scenes"][tree.get("scene", 0)]["nodes"].append(first)
        for animation in tree.get("animations", []):
            for channel in animation["channels"]:
                channel["target"]["node"] = first
        tree["scenes"][tree.get("scene", 0)]["extras"] = {"sun_direction": [float(v) for v in scene.light.sun_direction]}

    out: bytes = trimesh.exchange.gltf.export_glb(holder, include_normals=False, buffer_postprocessor=add_data, tree_postprocessor=add_nodes)
    return out


#: glTF cameras look along -Z with +Y up, the project's along +Z with +Y down; the same turn leads both ways.
LEVEL4 = np.diag([*np.diag(LEVEL), 1.0])


def _gltf_camera(viewpoint: Viewpoint) -> Mapping[str, Any]:
    camera = viewpoint.camera
    lens = {"yfov": yfov_rad(camera), "aspectRatio": aspect_ratio(camera), "znear": NEAR_M}
    return {"name": viewpoint.name, "type": "perspective", "perspective": lens, "extras": lens_note(camera)}


def _matrix(transform: Floats) -> list[float]:
    return [float(v) for v in transform.T.ravel()]  # glTF writes columns one after the other


def _moved(pose: Floats) -> tuple[list[float], list[float]]:
    """Translation and rotation (x, y, z, w) of a glTF node for a rig pose."""
    from scipy.spatial.transform import Rotation

    return [float(v) for v in pose[:3, 3]], [float(v) for v in Rotation.from_matrix(pose[:3, :3]).as_quat()]


def _append(buffers: Any, tree: Any, values: Any, *, component: int, kind: str, normalized: bool = False) -> int:
    """Append values as a buffer view and an accessor; the accessor's index."""
    flat = values.reshape(len(values), -1)
    raw = values.tobytes()
    buffers[("framematch", len(buffers))] = raw + b"\0" * (-len(raw) % 4)
    accessor = {"bufferView": len(buffers) - 1, "componentType": component, "count": len(values), "type": kind, "normalized": normalized}
    accessor |= {"min": flat.min(axis=0).tolist(), "max": flat.max(axis=0).tolist()}
    tree["accessors"][("framematch", len(tree["accessors"]))] = accessor
    return len(tree["accessors"]) - 1


def _animation(buffers: Any, tree: Any, times: Floats, rigs: Floats) -> dict[str, Any]:
    moves, turns = zip(*(_moved(rig) for rig in rigs), strict=True)
    quaternions = np.array(turns)
    for i in range(1, len(quaternions)):  # the nearer of both signs, so that programs turn the short way
        if quaternions[i] @ quaternions[i - 1] < 0:
            quaternions[i] *= -1
    clock = _append(buffers, tree, times.astype("<f4"), component=5126, kind="SCALAR")
    samplers = [
        {"input": clock, "output": _append(buffers, tree, np.array(moves, dtype="<f4"), component=5126, kind="VEC3"), "interpolation": "LINEAR"},
        {"input": clock, "output": _append(buffers, tree, quaternions.astype("<f4"), component=5126, kind="VEC4"), "interpolation": "LINEAR"},
    ]
    channels = [{"sampler": i, "target": {"path": path}} for i, path in enumerate(("translation", "rotation"))]
    return {"name": "run", "samplers": samplers, "channels": channels}


def texture_png(scene: Scene) -> bytes | None:
    """The scene's texture as a PNG file's bytes."""
    from PIL import Image

    if scene.surface.texture is None:
        return None
    out = io.BytesIO()
    # Grain that is noise in each pixel: matches farther off, which higher levels look for, take four times as long and make it larger.
    Image.fromarray(np.asarray(scene.surface.texture)).save(out, "PNG", compress_level=2)
    return out.getvalue()


class _Saved:
    """A picture that is a PNG file already, as trimesh takes pictures: they have a format and save themselves."""

    format = "PNG"

    def __init__(self, png: bytes) -> None:
        self._png = png

    def save(self, out: io.BytesIO, **_: object) -> None:
        out.write(self._png)

    def tobytes(self) -> bytes:
        return self._png
