"""One's own mesh: kept as it is where it is good, refused in one line where it is not."""

from __future__ import annotations

import base64
import io
import json
import struct
import subprocess
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from framematch.errors import InputError
from framematch.scene.load import load_scene
from framematch.scene.people import Figure
from framematch.shot.place import Place

trimesh = pytest.importorskip("trimesh")
SECRET = "SECRET-THAT-MUST-NOT-BE-READ"


def _box(**visual: object) -> object:
    return trimesh.creation.box(extents=(2, 1, 4), **visual)


def _write(folder: Path, suffix: str, mesh: object | None = None) -> Path:
    file = folder / f"scan{suffix}"
    (mesh or _box()).export(file)
    return file


def _glb(tree: dict[str, object], binary: bytes = b"") -> bytes:
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text
    if binary:
        chunks += struct.pack("<II", len(binary), 0x004E4942) + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def _triangle(uri: str | None = None, **more: object) -> dict[str, object]:
    """A glTF with one triangle in a buffer of 36 bytes."""
    buffer: dict[str, object] = {"byteLength": 36}
    if uri is not None:
        buffer["uri"] = uri
    tree: dict[str, object] = {
        "asset": {"version": "2.0"},
        "buffers": [buffer],
        "bufferViews": [{"buffer": 0, "byteOffset": 0, "byteLength": 36}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0]}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
        "nodes": [{"mesh": 0}],
        "scenes": [{"nodes": [0]}],
        "scene": 0,
    }
    return {**tree, **more}


POINTS = struct.pack("<9f", 0, 0, 0, 1, 0, 0, 0, 1, 0)


@pytest.mark.parametrize("suffix", [".glb", ".gltf", ".obj", ".ply", ".stl"])
def test_every_kind_keeps_its_shape(tmp_path: Path, suffix: str) -> None:
    if suffix == ".gltf":
        for name, data in trimesh.exchange.gltf.export_gltf(trimesh.Scene(_box())).items():
            (tmp_path / name).write_bytes(data)
        file = (tmp_path / "model.gltf").rename(tmp_path / "scan.gltf")
    else:
        file = _write(tmp_path, suffix)
    scene = load_scene(Place(file=file))
    assert scene.name == "scan"
    assert len(scene.surface.faces) == 12
    assert scene.surface.bounds == pytest.approx(np.array([[-1, -0.5, -2], [1, 0.5, 2]]), abs=1e-5)
    mesh = trimesh.Trimesh(scene.surface.vertices, scene.surface.faces)
    assert mesh.volume == pytest.approx(8.0, rel=1e-5)  # outsides stay outside


def test_scale_place_heading_and_upward_axis(tmp_path: Path) -> None:
    file = tmp_path / "scan.stl"
    trimesh.creation.box(bounds=[[0, 0, 0], [1000, 2000, 3000]]).export(file)
    plain = load_scene(Place(file=file, scale_m=0.001, at_m=(5, 0.5, -7)))
    assert plain.surface.bounds == pytest.approx(np.array([[5, 0.5, -7], [6, 2.5, -4]]))
    assert plain.ground_m == pytest.approx(0.5)
    # +Z up: depth 2 goes away from the rig (-Z), height 3 goes up
    upright = load_scene(Place(file=file, scale_m=0.001, up="z"))
    assert upright.surface.bounds == pytest.approx(np.array([[0, 0, -2], [1, 3, 0]]))
    # turned right by 90 degrees seen from above: +X goes to +Z, +Z to -X
    turned = load_scene(Place(file=file, scale_m=0.001, turned_deg=90))
    assert turned.surface.bounds == pytest.approx(np.array([[-3, 0, 0], [0, 2, 1]]), abs=1e-9)
    for scene in (plain, upright, turned):
        assert trimesh.Trimesh(scene.surface.vertices, scene.surface.faces).volume == pytest.approx(6.0)


def test_vertex_and_face_colours_are_kept(tmp_path: Path) -> None:
    mesh = _box()
    dice = np.random.default_rng(2)
    mesh.visual.vertex_colors = np.column_stack([dice.integers(0, 255, (8, 3)), np.full(8, 255)])
    scene = load_scene(Place(file=_write(tmp_path, ".ply", mesh)))
    for vertex, colour in zip(scene.surface.vertices, scene.surface.colours, strict=True):
        match = np.argmin(np.linalg.norm(mesh.vertices - vertex, axis=1))
        assert (colour == mesh.visual.vertex_colors[match][:3]).all()


def test_gltf_vertex_colours_and_factors_are_linear(tmp_path: Path) -> None:
    """glTF 2.0, 3.9.2: COLOR_0 and baseColorFactor are linear; linear 0.2140 is sRGB 0.5 (IEC 61966-2-1)."""
    material = {"pbrMetallicRoughness": {"baseColorFactor": [0.21404, 1.0, 0.0, 1.0]}}
    tree = _triangle(materials=[material], meshes=[{"primitives": [{"attributes": {"POSITION": 0}, "material": 0}]}])
    file = tmp_path / "scan.glb"
    file.write_bytes(_glb(tree, POINTS))
    assert load_scene(Place(file=file)).surface.colours[0].tolist() == pytest.approx([128, 255, 0], abs=1)


def _textured(size: int = 64) -> tuple[object, np.ndarray]:
    from PIL import Image

    picture = np.zeros((size, size, 3), dtype=np.uint8)
    picture[: size // 2, : size // 2] = (250, 20, 20)  # top left red
    picture[: size // 2, size // 2 :] = (20, 250, 20)  # top right green
    picture[size // 2 :, : size // 2] = (20, 20, 250)  # bottom left blue
    picture[size // 2 :, size // 2 :] = (250, 250, 20)
    vertices = np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)], dtype=float)
    uv = vertices[:, :2].copy()
    material = trimesh.visual.material.PBRMaterial(baseColorTexture=Image.fromarray(picture))
    mesh = trimesh.Trimesh(vertices, [(0, 1, 2), (0, 2, 3)], visual=trimesh.visual.TextureVisuals(uv=uv, material=material), process=False)
    return mesh, picture


def _colour_of(scene: object, x: float, y: float) -> list[int]:
    """The texture's colour at a place of the loaded surface in the plane z = 0."""
    surface = scene.surface
    corners = surface.vertices[surface.faces]
    for face, triangle in zip(surface.faces, corners, strict=True):
        if np.ptp(triangle[:, 2]) > 1e-9 or abs(triangle[0, 2]) > 1e-9:
            continue
        (ax, ay), (bx, by), (cx, cy) = triangle[:, :2]
        det = (by - cy) * (ax - cx) + (cx - bx) * (ay - cy)
        a = ((by - cy) * (x - cx) + (cx - bx) * (y - cy)) / det
        b = ((cy - ay) * (x - cx) + (ax - cx) * (y - cy)) / det
        if min(a, b, 1 - a - b) >= -1e-9:
            u, v = np.array([a, b, 1 - a - b]) @ surface.uv[face]
            height, width = surface.texture.shape[:2]
            return surface.texture[min(int((1 - v) * height), height - 1), min(int(u * width), width - 1)].tolist()
    raise AssertionError("no face there")


@pytest.mark.parametrize("suffix", [".glb", ".obj"])
def test_textures_are_kept_the_right_way_up(tmp_path: Path, suffix: str) -> None:
    mesh, _ = _textured()
    if suffix == ".obj":
        mesh.visual.material = mesh.visual.material.to_simple()
    file = _write(tmp_path, suffix, mesh)
    for scene in (load_scene(Place(file=file)), load_scene(Place(file=file), figures=[Figure(x_m=5, z_m=0)])):  # alone, and in an atlas with more
        for (x, y), colour in {(0.25, 0.75): (250, 20, 20), (0.75, 0.75): (20, 250, 20), (0.25, 0.25): (20, 20, 250), (0.75, 0.25): (250, 250, 20)}.items():
            assert _colour_of(scene, x, y) == pytest.approx(colour, abs=6)


def test_a_texture_that_repeats_is_cut_where_it_does(tmp_path: Path) -> None:
    mesh, _ = _textured()
    mesh.visual.uv = mesh.visual.uv * 3 - 0.5
    scene = load_scene(Place(file=_write(tmp_path, ".glb", mesh)))
    assert scene.surface.uv.min() >= 0 and scene.surface.uv.max() <= 1
    for x, y in np.random.default_rng(1).uniform(0.01, 0.99, (60, 2)):
        u, v = (3 * x - 0.5) % 1, (3 * y - 0.5) % 1
        if min(abs(u - 0.5), abs(v - 0.5), u, 1 - u, v, 1 - v) > 0.03:
            expected = [[(20, 20, 250), (250, 250, 20)], [(250, 20, 20), (20, 250, 20)]][int(v > 0.5)][int(u > 0.5)]
            assert _colour_of(scene, x, y) == pytest.approx(expected, abs=6)


def test_two_textures_share_an_atlas(tmp_path: Path) -> None:
    from PIL import Image

    first, _ = _textured()
    second, _ = _textured(32)
    second.visual.material.baseColorTexture = Image.fromarray(np.full((16, 16, 3), (200, 0, 200), dtype=np.uint8))
    second.apply_translation((3, 0, 0))
    file = tmp_path / "scan.glb"
    trimesh.Scene([first, second]).export(file)
    scene = load_scene(Place(file=file))
    assert _colour_of(scene, 0.25, 0.75) == pytest.approx((250, 20, 20), abs=6)
    assert _colour_of(scene, 3.5, 0.5) == pytest.approx((200, 0, 200), abs=6)


def test_ground_and_figures_go_below_a_scan(tmp_path: Path) -> None:
    scene = load_scene(Place(file=_write(tmp_path, ".ply")), ground=True, figures=[Figure(x_m=3, z_m=1, height_m=1.8)])
    assert scene.ground_m == pytest.approx(-0.5)
    tall = scene.surface.vertices[np.abs(scene.surface.vertices[:, 0] - 3) < 0.6]
    assert tall[tall[:, 1] < 2][:, 1].max() == pytest.approx(-0.5 + 1.8, abs=0.01)


def _refused(file: Path, says: str, **kwargs: object) -> str:
    with pytest.raises(InputError, match=says) as caught:
        load_scene(Place(file=file), **kwargs)
    line = str(caught.value)
    assert "\n" not in line and len(line) < 400 and file.name in line and SECRET not in line
    return line


def test_a_missing_file_a_folder_and_another_kind(tmp_path: Path) -> None:
    _refused(tmp_path / "no.glb", "no such file")
    (tmp_path / "dir.glb").mkdir()
    _refused(tmp_path / "dir.glb", "is a folder")
    other = tmp_path / "scene.blob"
    other.write_bytes(b"x")
    _refused(other, "GLB, GLTF, OBJ, PLY, STL")


@pytest.mark.parametrize("suffix", [".glb", ".gltf", ".obj", ".ply", ".stl"])
def test_empty_and_broken_files(tmp_path: Path, suffix: str) -> None:
    file = tmp_path / f"scan{suffix}"
    dice = np.random.default_rng(3)
    whole = _write(tmp_path, suffix).read_bytes() if suffix != ".gltf" else json.dumps(_triangle("data:;base64,QUJD")).encode()
    for content in (b"", b"\0" * 300, dice.bytes(5000), whole[: len(whole) // 2] if suffix != ".obj" else b"f 1 2 3\n", b"{" * 100_000):
        file.write_bytes(content)
        _refused(file, ".")


def test_every_cut_and_flip_of_a_good_file_loads_or_gets_one_line(tmp_path: Path) -> None:
    dice = np.random.default_rng(4)
    for suffix in (".glb", ".ply", ".stl", ".obj"):
        whole = bytearray(_write(tmp_path, suffix).read_bytes())
        for _ in range(25):
            bad = bytearray(whole[: dice.integers(1, len(whole))] if dice.random() < 0.4 else whole)
            for at in dice.integers(0, len(bad), 3):
                bad[at] = dice.integers(0, 256)
            file = tmp_path / f"bad{suffix}"
            file.write_bytes(bytes(bad))
            try:
                scene = load_scene(Place(file=file))
            except InputError as error:
                assert "\n" not in str(error)
            else:
                assert np.isfinite(scene.surface.vertices).all()


def test_no_triangles_no_numbers_no_area_and_too_far(tmp_path: Path) -> None:
    file = tmp_path / "scan.ply"
    trimesh.PointCloud(np.random.default_rng(0).normal(size=(50, 3))).export(file)
    _refused(file, "has no triangles")
    file = tmp_path / "scan.stl"
    bad = _box()
    bad.vertices[0, 0] = np.nan
    bad.export(file)
    _refused(file, "not numbers")
    flat = trimesh.Trimesh([(0, 0, 0), (1, 1, 1), (2, 2, 2)], [(0, 1, 2)], process=False)
    flat.export(file)
    _refused(file, "no area")
    far = _box()
    far.apply_translation((5e6, 0, 0))
    far.export(file)
    assert "scale" in _refused(file, "5,000,001 m")
    assert load_scene(Place(file=file, scale_m=0.001)).surface.bounds[1, 0] == pytest.approx(5000, abs=0.01)
    huge = tmp_path / "huge.obj"
    huge.write_text("v 0 0 0\nv 1e300 0 0\nv 0 1e300 0\nf 1 2 3\n")
    _refused(huge, "1e.300 units away")


@pytest.mark.parametrize("kwargs", [{"scale_m": 0.0}, {"scale_m": np.nan}, {"scale_m": -1.0}, {"at_m": (0, np.inf, 0)}, {"turned_deg": np.nan}, {"up": "x"}])
def test_what_is_no_placement_is_refused(kwargs: dict[str, object]) -> None:
    with pytest.raises(InputError):
        Place(file=Path("a.glb"), **kwargs)


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    """A folder for the mesh, beside one that it must not read."""
    (tmp_path / "private").mkdir()
    (tmp_path / "private" / "secret.bin").write_bytes(POINTS)
    (tmp_path / "private" / "secret.mtl").write_text(f"newmtl a\nmap_Kd {SECRET}.png\n")
    mine = tmp_path / "mine"
    mine.mkdir()
    return mine


def _watched(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every file opened from here on."""
    import builtins

    opened: list[str] = []
    real_open, real_path_open = builtins.open, Path.open

    def watch(file: object, *args: object, **kwargs: object) -> object:
        opened.append(str(file))
        return real_open(file, *args, **kwargs)

    def watch_path(self: Path, *args: object, **kwargs: object) -> object:
        opened.append(str(self))
        return real_path_open(self, *args, **kwargs)

    monkeypatch.setattr(builtins, "open", watch)
    monkeypatch.setattr(io, "open", watch)
    monkeypatch.setattr(Path, "open", watch_path)
    return opened


@pytest.mark.parametrize(
    "uri",
    [
        "../private/secret.bin", "..%2Fprivate%2Fsecret.bin", "sub/../../private/secret.bin", "..\\private\\secret.bin",
        "/etc/passwd", "file:///etc/passwd", "http://example.invalid/a.bin", "https://example.invalid/a.bin", "//example.invalid/a.bin", "C:\\a.bin",
        "ftp://example.invalid/x", "link.bin", "a\0b",
    ],
)  # fmt: skip
@pytest.mark.parametrize("kind", ["buffer", "image"])
def test_gltf_reads_nothing_outside_its_folder(elsewhere: Path, monkeypatch: pytest.MonkeyPatch, uri: str, kind: str) -> None:
    (elsewhere / "link.bin").symlink_to(elsewhere.parent / "private" / "secret.bin")
    (elsewhere / "good.bin").write_bytes(POINTS)
    tree = _triangle(uri) if kind == "buffer" else _triangle("good.bin", images=[{"uri": uri}], textures=[{"source": 0}])
    file = elsewhere / "scan.gltf"
    file.write_text(json.dumps(tree))
    opened = _watched(monkeypatch)
    _refused(file, "outside its folder|does not lie beside it|no file name")
    assert not [name for name in opened if "secret" in name or "link" in name or "passwd" in name]


@pytest.mark.parametrize("name", ["../private/secret.mtl", "/etc/passwd", "link.mtl", "http://example.invalid/a.mtl"])
def test_obj_reads_no_materials_or_textures_outside_its_folder(elsewhere: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    (elsewhere / "link.mtl").symlink_to(elsewhere.parent / "private" / "secret.mtl")
    shape = "v 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt 1 0\nvt 0 1\nusemtl a\nf 1/1 2/2 3/3\n"
    file = elsewhere / "scan.obj"
    opened = _watched(monkeypatch)
    file.write_text(f"mtllib {name}\n{shape}")
    _refused(file, "outside its folder|does not lie beside it")
    (elsewhere / "own.mtl").write_text(f"newmtl a\nmap_Kd {name}\n")
    file.write_text(f"mtllib own.mtl\n{shape}")
    _refused(file, "outside its folder|does not lie beside it")
    assert not [n for n in opened if "secret" in n or "link" in n or "passwd" in n]


@pytest.mark.parametrize("name", ["../private/secret.png", "link.png", "script.eps"])
def test_ply_opens_no_texture_that_is_not_a_picture_of_its_own(elsewhere: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A PLY may name a texture in a comment; whatever it names, the mesh loads plain and nothing else is opened."""
    (elsewhere.parent / "private" / "secret.png").write_bytes(_png(8))
    (elsewhere / "link.png").symlink_to(elsewhere.parent / "private" / "secret.png")
    (elsewhere / "script.eps").write_bytes(b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n%%EndComments\n")
    head = f"ply\nformat ascii 1.0\ncomment TextureFile {name}\nelement vertex 3\n{XYZ}property float s\nproperty float t\nelement face 1\n"
    file = elsewhere / "scan.ply"
    file.write_text(f"{head}property list uchar int vertex_indices\nend_header\n0 0 0 0 0\n1 0 0 1 0\n0 1 0 0 1\n3 0 1 2\n")
    opened = _watched(monkeypatch)
    with monkeypatch.context() as patch:
        patch.setattr(subprocess, "Popen", None)  # a PostScript reader would start a program
        scene = load_scene(Place(file=file))
    assert len(scene.surface.faces) == 1 and scene.surface.texture is None
    assert not [n for n in opened if "secret" in n or "link" in n]


def test_an_obj_without_its_materials_still_loads(tmp_path: Path) -> None:
    file = tmp_path / "scan.obj"
    file.write_text("mtllib gone.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    assert len(load_scene(Place(file=file)).surface.faces) == 1


def test_a_gltf_may_name_what_lies_below_it(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "my points.bin").write_bytes(POINTS)
    file = tmp_path / "scan.gltf"
    file.write_text(json.dumps(_triangle("parts/my%20points.bin")))
    assert len(load_scene(Place(file=file)).surface.faces) == 1
    (tmp_path / "parts" / "my points.bin").unlink()
    _refused(file, "is not there")


BIG = 2_000_000_000
XYZ = "property float x\nproperty float y\nproperty float z\n"


def _ply(kind: str, vertices: int, faces: str = "") -> bytes:
    return f"ply\nformat {kind} 1.0\nelement vertex {vertices}\n{XYZ}{faces}end_header\n".encode()


def _picture_bomb() -> bytes:
    """A scan with a 30 000 x 30 000 picture in few bytes; made when its turn comes, since that takes a while."""
    side, squeezed = 30_000, zlib.compressobj()
    rows = b"".join(squeezed.compress(bytes(100 * (1 + side // 8))) for _ in range(side // 100)) + squeezed.flush()
    chunks = ((b"IHDR", struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)), (b"IDAT", rows), (b"IEND", b""))
    picture = b"\x89PNG\r\n\x1a\n" + b"".join(struct.pack(">I", len(d)) + kind + d + struct.pack(">I", zlib.crc32(kind + d)) for kind, d in chunks)
    return _glb(_triangle(images=[{"uri": f"data:image/png;base64,{base64.b64encode(picture).decode()}"}]), POINTS)


def _claims() -> dict[str, tuple[str, bytes | Callable[[], bytes], str]]:
    zeros = {"componentType": 5126, "count": 12_000_000, "type": "VEC3"}
    many = _triangle()
    many["accessors"] = [{**zeros, "bufferView": 0}]
    script = base64.b64encode(b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n%%EndComments\n").decode()
    shiny = {"extensions": {"KHR_materials_pbrSpecularGlossiness": {}}}
    small = base64.b64encode(_png(2000)).decode()
    little = "binary_little_endian"
    counted, listed = "property list uchar int vertex_indices\n", "property list uint int vertex_indices\n"
    return {
        "ply vertices": (".ply", _ply("binary_little_endian", BIG // 12) + b"\0" * 100, "claims at least 1,999,999,992 bytes"),
        "ply text": (".ply", _ply("ascii", BIG) + b"0 0 0\n", "claims at least 12,000,000,000 bytes"),
        "ply faces": (".ply", _ply("binary_little_endian", 3, f"element face 4900000\n{counted}") + POINTS, "claims at least"),
        "ply many faces": (".ply", _ply("binary_little_endian", 3, f"element face {BIG}\n{counted}") + POINTS, "triangles, more than"),
        "ply list": (".ply", _ply(little, 3, f"element face 1\n{listed}") + POINTS + struct.pack("<I", 0xFFFFFFF0) + b"\0" * 12, "can't be read"),
        "ply minus": (".ply", _ply("binary_little_endian", -5) + b"\0" * 100, "header that can't be read"),
        "stl": (".stl", b"\0" * 80 + struct.pack("<I", BIG // 50) + b"\0" * 100, "claims 40,000,000 triangles"),
        "glb length": (".glb", struct.pack("<4sII", b"glTF", 2, BIG) + b"\0" * 100, "claims 2,000,000,000 bytes but has 112"),
        "glb chunk": (".glb", struct.pack("<4sII", b"glTF", 2, 112) + struct.pack("<II", BIG, 0x4E4F534A) + b"\0" * 92, "claims a chunk of"),
        "glb buffer": (".glb", _glb(_triangle(buffers=[{"byteLength": BIG}]), POINTS), "claims a buffer of 2,000,000,000 bytes"),
        "glb view": (".glb", _glb(_triangle(bufferViews=[{"buffer": 0, "byteLength": BIG}]), POINTS), "goes past the end"),
        "glb accessor": (".glb", _glb(many, POINTS), "no room for them"),
        "glb zeros": (".glb", _glb(_triangle(accessors=[{**zeros, "count": BIG}]), POINTS), "claims 2,000,000,000 values"),
        "glb copies": (".glb", _glb(_triangle(nodes=[{"mesh": 0}] * 5000, accessors=[{**zeros, "count": 99_999}]), POINTS), "166,665,000 triangles"),
        "glb nothing": (".glb", _glb(_triangle(accessors=[zeros]), POINTS), "claims 12,000,000 values that no part of it holds"),
        "glb loop": (".glb", _glb(_triangle(nodes=[{"mesh": 0, "children": [1]}, {"children": [0]}]), POINTS), "two places or below itself"),
        "glb shared": (".glb", _glb(_triangle(nodes=[{"children": [1, 2]}, {"children": [2]}, {"mesh": 0}]), POINTS), "two places or below itself"),
        "glb deep": (".glb", _glb(_triangle(nodes=[{"children": [i + 1]} for i in range(50_000)] + [{"mesh": 0}]), POINTS), "more than 100 deep"),
        "glb parts": (".glb", _glb(_triangle(meshes=[{"primitives": [{"attributes": {"POSITION": 0}}] * 20_000}]), POINTS), "20,000 parts or materials"),
        "obj materials": (".obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\n" + b"".join(b"usemtl m%d\nf 1 2 3\n" % i for i in range(8000)), "8,000 parts or materials"),
        "picture bomb": (".glb", _picture_bomb, "million pixels"),
        "pictures opened often": (
            ".glb", _glb(_triangle(images=[{"uri": f"data:image/png;base64,{small}"}], materials=[shiny] * 500), POINTS), "million pixels"
        ),
        "postscript": (".glb", _glb(_triangle(images=[{"uri": f"data:application/postscript;base64,{script}"}]), POINTS), "not a picture of the kinds"),
        "draco": (".glb", _glb(_triangle(extensionsRequired=["KHR_draco_mesh_compression"]), POINTS), "without compression"),
        "not an object": (".gltf", b"[1, 2]", "holds no glTF"),
        "deep": (".gltf", b"[" * 200_000, "JSON that can't be read"),
        "wrong kinds": (".gltf", json.dumps({**_triangle(), "buffers": [], "bufferViews": [], "accessors": "none", "nodes": 7}).encode(), "wrong kind"),
        "old": (".glb", struct.pack("<4sII", b"glTF", 1, 24) + b"\0" * 12, "version 1"),
    }  # fmt: skip


def _png(side: int) -> bytes:
    from PIL import Image

    image = io.BytesIO()
    Image.new("L", (side, side)).save(image, "PNG")
    return image.getvalue()


CLAIMS = _claims()


@pytest.mark.parametrize("name", sorted(CLAIMS))
def test_claims_that_a_file_does_not_hold_cost_no_memory(tmp_path: Path, name: str) -> None:
    suffix, content, says = CLAIMS[name]
    file = tmp_path / f"scan{suffix}"
    file.write_bytes(content() if callable(content) else content)
    tracemalloc.start()
    try:
        _refused(file, says)
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert peak_mb < 20, f"{peak_mb:.0f} MB"


def scan(file: Path, faces: int) -> None:
    """A bumpy terrain of about that many triangles, coloured by height, as a scanner would give it."""
    side = int((faces / 2) ** 0.5) + 2
    x, z = np.meshgrid(np.linspace(-20, 20, side), np.linspace(-20, 20, side))
    y = 0.4 * np.sin(x) * np.cos(z * 0.7) + 0.05 * np.random.default_rng(6).standard_normal(x.shape)
    i = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel()
    triangles = np.concatenate([np.stack([i, i + side, i + 1], 1), np.stack([i + 1, i + side, i + side + 1], 1)])
    shade = np.clip((y.ravel()[:, None] + 0.6) * np.array([120, 150, 90]) + 40, 0, 255).astype(np.uint8)
    mesh = trimesh.Trimesh(
        np.column_stack([x.ravel(), y.ravel(), z.ravel()]), triangles, vertex_colors=np.column_stack([shade, np.full(len(shade), 255)]), process=False
    )
    mesh.export(file)


@pytest.mark.parametrize("suffix", [".ply", ".glb"])
def test_a_scan_of_a_million_triangles_loads_in_bounded_memory(tmp_path: Path, suffix: str) -> None:
    file = tmp_path / f"scan{suffix}"
    scan(file, 1_000_000)
    tracemalloc.start()
    try:
        surface = load_scene(Place(file=file)).surface
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    kept_mb = (surface.vertices.nbytes + surface.faces.nbytes + surface.colours.nbytes) / 1e6
    assert 1_000_000 <= len(surface.faces) < 1_010_000
    assert peak_mb < 12 * kept_mb, f"{peak_mb:.0f} MB for a surface of {kept_mb:.0f} MB"
