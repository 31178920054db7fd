"""Scenes and cameras written out and read back by other people's readers: trimesh, and pxr for USD."""

from __future__ import annotations

import json
import math
import struct
from pathlib import Path

import numpy as np
import pytest

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Display, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.output.exchange import glb, viewpoints, yfov_rad
from framematch.output.scene_file import write_exchange
from framematch.scene.load import load_scene
from framematch.scene.model import Scene
from framematch.scene.registry import make_scene
from framematch.shot.flown import Flown
from framematch.shot.place import Place, standing
from framematch.shot.timing import timed

trimesh = pytest.importorskip("trimesh")

PAIRING = Pairing(
    recording=Camera(lens=Lens(projection="brown-conrady", focal_mm=18, k=(-0.02, 0.004)), sensor_mm=(24.89, 13.12), raster_px=(5760, 3036)),
    frame=frame_in((5760, 3036), aspect=2.39, keep_percent=92),
    monitoring=Camera(lens=Lens(projection="equidistant", focal_mm=2.8648), sensor_mm=(5.9, 4.425), raster_px=(1440, 1080)),
    display=Display(raster_px=(1280, 720), source_px=(1440, 1080)),
    mount=Mount(right_mm=4, up_mm=58, forward_mm=31, tilt_deg=12, pan_deg=-3),
    near_m=1.5,
    far_m=30,
)
POSE = standing((0.4, 1.6, 5.0), heading_deg=20, pitch_deg=-8, bank_deg=5)
RUN = Flown(course=timed(((0, 1.5, 6), (0.5, 1.6, 2), (0, 1.5, -2)), 4.0))


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene("window")


def _tree(raw: bytes) -> tuple[dict[str, object], bytes]:
    (length,) = struct.unpack_from("<I", raw, 12)
    return json.loads(raw[20 : 20 + length]), raw[28 + length :]


def test_glb_keeps_the_surface_its_colours_and_its_texture(tmp_path: Path, scene: Scene) -> None:
    file = tmp_path / "out.glb"
    write_exchange(file, scene, PAIRING, POSE)
    back = load_scene(Place(file=file))
    mine, read = scene.surface, back.surface
    assert read.vertices == pytest.approx(mine.vertices, abs=1e-4)
    assert (read.faces == mine.faces).all()
    assert np.abs(read.colours.astype(int) - mine.colours).max() <= 1
    assert read.uv == pytest.approx(mine.uv, abs=1e-5)
    assert (read.texture == mine.texture).all()
    assert list(tmp_path.iterdir()) == [file]


def test_glb_cameras_have_the_angles_of_the_gltf_formula(scene: Scene) -> None:
    """glTF 2.0, 3.10.2: yfov is the vertical angle; a straight lens gives tan(yfov / 2) = h / 2f."""
    tree, _ = _tree(glb(scene, viewpoints(PAIRING), POSE))
    recording, monitoring = tree["cameras"]
    assert math.degrees(recording["perspective"]["yfov"]) == pytest.approx(40.04, abs=0.01)  # 13.12 mm on 18 mm
    assert math.tan(recording["perspective"]["yfov"] / 2) * 2 * 18 == pytest.approx(13.12, rel=1e-9)
    assert recording["perspective"]["aspectRatio"] == pytest.approx(24.89 / 13.12)
    assert yfov_rad(PAIRING.monitoring) == monitoring["perspective"]["yfov"]
    assert monitoring["extras"]["projection"] == "equidistant" and "straight" in monitoring["extras"]["note"]
    assert recording["extras"]["k"] == [-0.02, 0.004]
    # trimesh's own camera agrees on the angle across
    straight = trimesh.scene.Camera(focal=(18 * 100, 18 * 100), resolution=(2489, 1312))
    assert math.degrees(recording["perspective"]["yfov"]) == pytest.approx(straight.fov[1], abs=1e-9)


def test_squeeze_widens_the_written_camera(scene: Scene) -> None:
    from dataclasses import replace

    wide = replace(PAIRING.recording, lens=replace(PAIRING.recording.lens, squeeze=2.0))
    tree, _ = _tree(glb(scene, viewpoints(replace(PAIRING, recording=wide)), POSE))
    assert tree["cameras"][0]["perspective"]["aspectRatio"] == pytest.approx(2 * 24.89 / 13.12)


def test_glb_cameras_stand_where_the_rig_does(scene: Scene) -> None:
    """Nodes multiplied as glTF 2.0, 3.5.3 says (trimesh's transformations): a point ahead of the lens is on the camera's -Z."""
    tree, _ = _tree(glb(scene, viewpoints(PAIRING), POSE))
    nodes = {node["name"]: node for node in tree["nodes"]}
    assert [tree["nodes"][i]["name"] for i in nodes["rig"]["children"]] == ["recording", "monitoring"]
    x, y, z, w = nodes["rig"]["rotation"]
    turned = trimesh.transformations.translation_matrix(nodes["rig"]["translation"]) @ trimesh.transformations.quaternion_matrix([w, x, y, z])
    rig = POSE.matrix
    monitoring = rig @ np.block([[PAIRING.mount.recording_from_monitoring, PAIRING.mount.translation_m[:, None]], [np.zeros((1, 3)), np.ones((1, 1))]])
    for name, expected in (("recording", rig), ("monitoring", monitoring)):
        matrix = turned @ np.reshape(nodes[name]["matrix"], (4, 4)).T
        for mine, theirs in (((0, 0, 3), (0, 0, -3)), ((1, 0, 3), (1, 0, -3)), ((0, 1, 3), (0, -1, -3)), ((0, 0, 0), (0, 0, 0))):
            assert (matrix @ [*theirs, 1])[:3] == pytest.approx((expected @ [*mine, 1])[:3], abs=1e-6)


def test_a_run_is_an_animation_true_to_time(scene: Scene) -> None:
    from scipy.spatial.transform import Rotation

    tree, binary = _tree(glb(scene, viewpoints(PAIRING), RUN))
    (animation,) = tree["animations"]

    def values(index: int) -> np.ndarray:
        accessor = tree["accessors"][index]
        view = tree["bufferViews"][accessor["bufferView"]]
        width = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}[accessor["type"]]
        return np.frombuffer(binary, dtype="<f4", count=width * accessor["count"], offset=view["byteOffset"]).reshape(-1, width)

    for channel in animation["channels"]:
        assert tree["nodes"][channel["target"]["node"]]["name"] == "rig"
        sampler = animation["samplers"][channel["sampler"]]
        times, keys = values(sampler["input"])[:, 0], values(sampler["output"])
        assert times[-1] == pytest.approx(RUN.duration_s, rel=1e-6) and (np.diff(times) > 0).all()
        for i in (0, len(times) // 3, len(times) - 1):
            pose = RUN.pose(float(times[i]))
            if channel["target"]["path"] == "translation":
                assert keys[i] == pytest.approx(pose.translation_m, abs=1e-5)
            else:
                ahead = Rotation.from_quat(keys[i]).as_matrix() @ [0, 0, -1]
                assert ahead == pytest.approx(pose.rotation[:, 2], abs=1e-6)


def test_glb_sizes_add_up_and_views_are_aligned(scene: Scene) -> None:
    raw = glb(scene, viewpoints(PAIRING), RUN)
    tree, binary = _tree(raw)
    assert struct.unpack_from("<4sII", raw) == (b"glTF", 2, len(raw))
    assert tree["buffers"][0]["byteLength"] == len(binary)
    for accessor in tree["accessors"]:
        view = tree["bufferViews"][accessor["bufferView"]]
        assert view["byteOffset"] % 4 == 0 and view["byteOffset"] + view["byteLength"] <= len(binary)


@pytest.mark.parametrize("suffix", [".usda", ".usdc"])
def test_usd_cameras_have_focal_length_and_aperture_in_millimetres(tmp_path: Path, scene: Scene, suffix: str) -> None:
    pxr = pytest.importorskip("pxr")
    from pxr import Gf, Usd, UsdGeom

    file = tmp_path / f"out{suffix}"
    write_exchange(file, scene, PAIRING, POSE)
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"out{suffix}", "out_texture.png"]
    stage = Usd.Stage.Open(str(file))
    assert UsdGeom.GetStageUpAxis(stage) == "Y" and UsdGeom.GetStageMetersPerUnit(stage) == 0.01
    recording = UsdGeom.Camera.Get(stage, "/scene/rig/recording")
    camera = recording.GetCamera(0)
    assert (camera.focalLength, camera.horizontalAperture, camera.verticalAperture) == pytest.approx((18, 24.89, 13.12), rel=1e-6)
    vertical = camera.GetFieldOfView(Gf.Camera.FOVVertical)
    assert math.radians(vertical) == pytest.approx(yfov_rad(PAIRING.recording), rel=1e-6)
    # the pixel that pxr's own frustum gives a point in the scene is the straight part of the project's own
    at = POSE.points([0.6, -0.3, 4.0])
    seen = camera.frustum.ComputeViewMatrix() * camera.frustum.ComputeProjectionMatrix()
    x, y, _ = seen.Transform(Gf.Vec3d(*(100 * at)))
    assert (x, y) == pytest.approx((0.6 / 4 * 18 / (24.89 / 2), 0.3 / 4 * 18 / (13.12 / 2)), abs=1e-5)
    mesh = UsdGeom.Mesh.Get(stage, "/scene/surface")
    points = np.array(mesh.GetPointsAttr().Get())
    assert points == pytest.approx(scene.surface.vertices * 100, abs=0.01)
    faces = sum(len(s.GetIndicesAttr().Get()) for s in UsdGeom.Subset.GetAllGeomSubsets(mesh))
    assert faces == len(scene.surface.faces)
    assert pxr is not None


def test_usd_run_is_keyed_true_to_time(tmp_path: Path, scene: Scene) -> None:
    pytest.importorskip("pxr")
    from pxr import Usd, UsdGeom

    file = tmp_path / "out.usdc"
    write_exchange(file, scene, PAIRING, RUN)
    stage = Usd.Stage.Open(str(file))
    rate = stage.GetTimeCodesPerSecond()
    assert stage.GetEndTimeCode() / rate == pytest.approx(RUN.duration_s)
    for t in (0.0, 20 / rate):
        place = UsdGeom.Xformable(stage.GetPrimAtPath("/scene/rig/recording")).ComputeLocalToWorldTransform(t * rate).ExtractTranslation()
        assert np.array(place) / 100 == pytest.approx(RUN.pose(t).translation_m, abs=1e-5)


def test_another_ending_is_refused_and_leaves_nothing(tmp_path: Path, scene: Scene) -> None:
    with pytest.raises(InputError, match=r"\.glb, \.usda or \.usdc"):
        write_exchange(tmp_path / "out.fbx", scene, PAIRING, POSE)
    with pytest.raises(InputError, match="can't be written"):
        write_exchange(tmp_path / "no" / "out.glb", scene, PAIRING, POSE)
    assert list(tmp_path.iterdir()) == []


def test_without_usd_core_one_line_says_what_to_do(tmp_path: Path, scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pxr", None)
    with pytest.raises(InputError, match="usd-core"):
        write_exchange(tmp_path / "out.usda", scene, PAIRING, POSE)
    assert list(tmp_path.iterdir()) == []
