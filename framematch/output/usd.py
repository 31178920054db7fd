"""A scene with its cameras as USD, through usd-core.

Written in centimetres: USD gives focal length and aperture in tenths of a scene unit, so that they
read as the millimetres they are everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.output.exchange import FRAMES_PER_S, NEAR_M, Viewpoint, lens_note, node_from_camera, rig_keys, texture_png
from framematch.scene.model import Floats, Scene
from framematch.shot.way import Way
from framematch.text.whole import written_whole

MOST_TINTS = 256
CM = 100.0


def write_usd(path: Path, scene: Scene, cameras: Sequence[Viewpoint], way: Pose | Way) -> None:
    """Write a USD file, and its texture beside it as ``<name>_texture.png``.

    Raises:
        InputError: usd-core is not installed, or a file can't be written.
    """
    try:
        from pxr import Usd
    except ImportError:
        raise InputError("USD needs the package usd-core", file=str(path), fix="install usd-core, or write a .glb") from None
    picture = texture_png(scene)
    beside_name = f"{path.stem}_texture.png"
    if picture is not None:
        with written_whole(path.with_name(beside_name)) as beside:
            beside.write_bytes(picture)
    with written_whole(path) as beside:
        beside.unlink()  # usd-core makes the file itself
        stage = Usd.Stage.CreateNew(str(beside))
        _fill(stage, scene, cameras, way, beside_name if picture is not None else None)
        stage.GetRootLayer().Save()


def _fill(stage: Any, scene: Scene, cameras: Sequence[Viewpoint], way: Pose | Way, texture: str | None) -> None:
    from pxr import Gf, UsdGeom

    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.y)
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)
    root = UsdGeom.Xform.Define(stage, "/scene")
    stage.SetDefaultPrim(root.GetPrim())
    _mesh(stage, scene, texture)
    times, rigs = rig_keys(way)
    rig = UsdGeom.Xform.Define(stage, "/scene/rig")
    pose = rig.AddTransformOp()
    if len(times) == 1:
        pose.Set(_matrix(rigs[0]))
    else:
        stage.SetTimeCodesPerSecond(FRAMES_PER_S)
        stage.SetStartTimeCode(0)
        stage.SetEndTimeCode(float(times[-1] * FRAMES_PER_S))
        for time, matrix in zip(times, rigs, strict=True):
            pose.Set(_matrix(matrix), float(time * FRAMES_PER_S))
    for viewpoint in cameras:
        camera = UsdGeom.Camera.Define(stage, f"/scene/rig/{viewpoint.name}")
        camera.AddTransformOp().Set(_matrix(node_from_camera(viewpoint)))
        lens, (width, height) = viewpoint.camera.lens, viewpoint.camera.sensor_mm
        camera.CreateFocalLengthAttr(lens.focal_mm)
        camera.CreateHorizontalApertureAttr(width * lens.squeeze)
        camera.CreateVerticalApertureAttr(height)
        right, down = np.array(viewpoint.camera.centre_px) - np.array(viewpoint.camera.raster_px) / 2
        per_mm = viewpoint.camera.pixels_per_mm
        camera.CreateHorizontalApertureOffsetAttr(float(-right / per_mm[0] * lens.squeeze))
        camera.CreateVerticalApertureOffsetAttr(float(down / per_mm[1]))
        camera.CreateClippingRangeAttr(Gf.Vec2f(NEAR_M * CM, 1e6))
        for name, value in lens_note(viewpoint.camera).items():
            camera.GetPrim().SetCustomDataByKey(f"lens:{name}", value if isinstance(value, str | float) else " ".join(f"{v:g}" for v in value))


def _matrix(transform: Floats) -> Any:
    """USD's row vectors, centimetres."""
    from pxr import Gf

    out = transform.copy()
    out[:3, 3] *= CM
    return Gf.Matrix4d(out.T.tolist())


def _mesh(stage: Any, scene: Scene, texture: str | None) -> None:
    from pxr import Sdf, UsdGeom, UsdShade, Vt

    surface = scene.surface
    mesh = UsdGeom.Mesh.Define(stage, "/scene/surface")
    mesh.CreatePointsAttr(Vt.Vec3fArray.FromNumpy((surface.vertices * CM).astype(np.float32)))
    mesh.CreateFaceVertexCountsAttr(Vt.IntArray.FromNumpy(np.full(len(surface.faces), 3, dtype=np.int32)))
    mesh.CreateFaceVertexIndicesAttr(Vt.IntArray.FromNumpy(surface.faces.astype(np.int32).ravel()))
    mesh.CreateSubdivisionSchemeAttr(UsdGeom.Tokens.none)
    low, high = surface.bounds * CM
    mesh.CreateExtentAttr(Vt.Vec3fArray.FromNumpy(np.array([low, high], dtype=np.float32)))
    api = UsdGeom.PrimvarsAPI(mesh)
    shades = Vt.Vec3fArray.FromNumpy((surface.colours / 255).astype(np.float32))
    api.CreatePrimvar("displayColor", Sdf.ValueTypeNames.Color3fArray, UsdGeom.Tokens.vertex).Set(shades)
    if texture is None or surface.uv is None:
        return
    st = api.CreatePrimvar("st", Sdf.ValueTypeNames.TexCoord2fArray, UsdGeom.Tokens.vertex)
    st.Set(Vt.Vec2fArray.FromNumpy(surface.uv.astype(np.float32)))
    # A texture can be multiplied with one colour, so faces go into one group for each tint.
    tints, index = np.unique(surface.colours[surface.faces[:, 0]], axis=0, return_inverse=True)
    if len(tints) > MOST_TINTS:
        tints, index = np.array([[255, 255, 255]]), np.zeros(len(surface.faces), dtype=int)
    for i, tint in enumerate(tints):
        material = _material(stage, f"/scene/materials/tint_{i}", texture, tint / 255)
        subset = UsdGeom.Subset.CreateGeomSubset(
            mesh, f"tint_{i}", UsdGeom.Tokens.face, Vt.IntArray.FromNumpy(np.flatnonzero(index.ravel() == i).astype(np.int32)), "materialBind"
        )
        UsdShade.MaterialBindingAPI.Apply(subset.GetPrim()).Bind(material)


def _material(stage: Any, place: str, texture: str, tint: Floats) -> Any:
    from pxr import Gf, Sdf, UsdShade

    material = UsdShade.Material.Define(stage, place)
    shader = UsdShade.Shader.Define(stage, f"{place}/surface")
    shader.CreateIdAttr("UsdPreviewSurface")
    shader.CreateInput("roughness", Sdf.ValueTypeNames.Float).Set(1.0)
    reader = UsdShade.Shader.Define(stage, f"{place}/uv")
    reader.CreateIdAttr("UsdPrimvarReader_float2")
    reader.CreateInput("varname", Sdf.ValueTypeNames.String).Set("st")
    image = UsdShade.Shader.Define(stage, f"{place}/texture")
    image.CreateIdAttr("UsdUVTexture")
    image.CreateInput("file", Sdf.ValueTypeNames.Asset).Set(f"./{texture}")
    image.CreateInput("sourceColorSpace", Sdf.ValueTypeNames.Token).Set("sRGB")
    image.CreateInput("scale", Sdf.ValueTypeNames.Float4).Set(Gf.Vec4f(*(float(v) for v in tint**2.2), 1.0))
    image.CreateInput("st", Sdf.ValueTypeNames.Float2).ConnectToSource(reader.ConnectableAPI(), "result")
    image.CreateOutput("rgb", Sdf.ValueTypeNames.Float3)
    shader.CreateInput("diffuseColor", Sdf.ValueTypeNames.Color3f).ConnectToSource(image.ConnectableAPI(), "rgb")
    material.CreateSurfaceOutput().ConnectToSource(shader.ConnectableAPI(), "surface")
    return material
