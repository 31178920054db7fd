"""What a mesh file claims, checked against what it holds before anything is built from it.

A header that promises more than the file has, a part that lies elsewhere than beside it, nodes that
multiply: each gets one line before a library sees the file.
"""

from __future__ import annotations

import base64
import binascii
import io
import json
import os
import re
import struct
import warnings
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from framematch.errors import InputError
from framematch.text.whole import read_bytes

MOST_FACES = 5_000_000
MOST_DEEP = 100  # nodes below one another: the time that trimesh takes grows with the square of the way up
MOST_OBJ_MATERIALS = 1_500  # the time that trimesh takes grows with their square: 8 000 took 17 s
MOST_PARTS = 10_000  # each is built by itself, in a tenth of a millisecond and some kilobytes however few triangles it has
MOST_BYTES = 400_000_000
MOST_TEXT_BYTES = 200_000_000  # text takes many times its size while it is read
MOST_PIXELS = 70_000_000
SUFFIXES = (".glb", ".gltf", ".obj", ".ply", ".stl")

PICTURES = ("PNG", "JPEG", "WEBP", "TIFF", "BMP", "TGA", "GIF")  # others have readers that start programs

_SCALAR_BYTES = {
    **dict.fromkeys(("char", "uchar", "int8", "uint8"), 1),
    **dict.fromkeys(("short", "ushort", "int16", "uint16"), 2),
    **dict.fromkeys(("int", "uint", "float", "int32", "uint32", "float32"), 4),
    **dict.fromkeys(("double", "float64", "int64", "uint64"), 8),
}
_COMPONENT_BYTES = {5120: 1, 5121: 1, 5122: 2, 5123: 2, 5125: 4, 5126: 4}
_COMPONENTS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
_UNREADABLE = {"KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression", "KHR_mesh_quantization", "KHR_texture_basisu"}


class Beside:
    """The files that a mesh may name: those in its own folder or below it, and not too large together."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.folder = file.parent.resolve()
        self._read: dict[str, bytes] = {}

    def locate(self, name: str) -> Path:
        """The path of a file named in the mesh.

        Raises:
            InputError: it is a web address, an absolute path, or leads out of the folder (also by a link).
        """
        plain = unquote(name.strip()).replace("\\", "/")
        if re.match(r"^[A-Za-z][A-Za-z0-9+.-]*:", plain) or plain.startswith("//") or "\0" in plain:
            raise self._refused(f"names '{_short(name)}', which does not lie beside it")
        try:
            path = (self.folder / plain).resolve()
        except (OSError, RuntimeError, ValueError):
            raise self._refused(f"names '{_short(name)}', which is not a file name") from None
        if plain.startswith("/") or not path.is_relative_to(self.folder):
            raise self._refused(f"names '{_short(name)}', which lies outside its folder")
        return path

    def read(self, name: str) -> bytes:
        """Its bytes.

        Raises:
            InputError: as :meth:`locate`; missing; too large.
        """
        if name not in self._read:
            path = self.locate(name)
            if not os.path.isfile(path):
                raise InputError(f"names '{_short(name)}', which is not there", file=str(self.file), fix="keep the mesh's files together in one folder")
            left = MOST_BYTES - sum(map(len, self._read.values()))
            self._read[name] = read_bytes(path, limit=max(left, 0))
        return self._read[name]

    def _refused(self, problem: str) -> InputError:
        return InputError(problem, file=str(self.file), fix="keep the mesh's files in its own folder and name them without a path out of it")


def check_mesh(file: Path, raw: bytes, beside: Beside) -> None:
    """Refuse a file that claims what it doesn't hold, or reaches for what isn't its own.

    Raises:
        InputError: one line on what is wrong.
    """
    kind = file.suffix.lower()
    try:
        if kind == ".glb":
            _check_gltf(*_chunks(raw), beside)
        elif kind == ".gltf":
            _check_gltf(raw, None, beside)
        elif kind == ".ply":
            _check_ply(raw)
        elif kind == ".stl":
            _check_stl(raw)
        else:
            _check_obj(raw, beside)
    except InputError as error:
        raise error.within(file=str(file)) from None


def _broken(problem: str) -> InputError:
    return InputError(problem, fix="export the mesh again")


def _too_many(faces: int) -> InputError:
    return InputError(f"has {faces:,} triangles, more than {MOST_FACES:,}", fix="reduce the mesh first")


def _few_parts(parts: int, most: int = MOST_PARTS) -> None:
    if parts > most:
        raise InputError(f"has {parts:,} parts or materials, more than {most:,}", fix="join them into fewer")


def _chunks(raw: bytes) -> tuple[bytes, bytes | None]:
    """JSON and binary chunk of a GLB (glTF 2.0, section 4.4)."""
    if len(raw) < 20 or raw[:4] != b"glTF":
        raise _broken("is not a GLB file")
    _, version, length = struct.unpack_from("<4sII", raw)
    if version != 2:
        raise InputError(f"is glTF version {version}", fix="export it as glTF 2.0")
    if length > len(raw):
        raise _broken(f"claims {length:,} bytes but has {len(raw):,}")
    found: dict[int, bytes] = {}
    at = 12
    while at + 8 <= length:
        size, kind = struct.unpack_from("<II", raw, at)
        if at + 8 + size > length:
            raise _broken(f"claims a chunk of {size:,} bytes where {length - at - 8:,} are left")
        found.setdefault(kind, raw[at + 8 : at + 8 + size])
        at += 8 + size
    if 0x4E4F534A not in found:
        raise _broken("has no JSON chunk")
    return found[0x4E4F534A], found.get(0x004E4942)


def _check_gltf(text: bytes, binary: bytes | None, beside: Beside) -> None:
    try:
        tree = json.loads(text)
    except (ValueError, RecursionError):
        raise _broken("holds JSON that can't be read") from None
    if not isinstance(tree, dict):
        raise _broken("holds no glTF")
    try:
        missing = sorted({*tree.get("extensionsRequired", [])} & _UNREADABLE)
        if missing:
            raise InputError(f"is packed with {missing[0]}, which can't be read here", fix="export it without compression")
        buffers = [_buffer(entry, binary if i == 0 else None, beside) for i, entry in enumerate(tree.get("buffers", []))]
        views = tree.get("bufferViews", [])
        for view in views:
            if not 0 <= view.get("byteOffset", 0) <= view.get("byteOffset", 0) + view["byteLength"] <= buffers[view["buffer"]]:
                raise _broken("has a buffer view that goes past the end of its buffer")
        for accessor in tree.get("accessors", []):
            _check_accessor(accessor, views)
        _few_parts(max(len(tree.get("materials", [])), sum(len(mesh["primitives"]) for mesh in tree.get("meshes", []))))
        _check_images(tree, views, binary, beside)
        _check_nodes(tree)
    except (KeyError, IndexError, TypeError, AttributeError):
        raise _broken("holds glTF with parts missing or of the wrong kind") from None


def _buffer(entry: dict[str, Any], binary: bytes | None, beside: Beside) -> int:
    """Bytes that a buffer really has."""
    uri = entry.get("uri")
    have = len(binary or b"") if uri is None else len(_resource(uri, beside))
    if not 0 <= entry["byteLength"] <= have + 3:
        raise _broken(f"claims a buffer of {entry['byteLength']:,} bytes but has {have:,}")
    return have


def _resource(uri: str, beside: Beside) -> bytes:
    if not uri.startswith("data:"):
        return beside.read(uri)
    try:
        return base64.b64decode(uri.partition(",")[2], validate=False)
    except (binascii.Error, ValueError):
        raise _broken("holds data that is not base64") from None


_MOST_EMPTY = 100_000  # values of an accessor without a buffer view, all 0 but for sparse ones


def _check_accessor(accessor: dict[str, Any], views: list[dict[str, Any]]) -> None:
    count = accessor["count"]
    size = _COMPONENT_BYTES[accessor["componentType"]] * _COMPONENTS[accessor["type"]]
    if not 0 <= count <= 3 * MOST_FACES:
        raise _broken(f"claims {count:,} values in one accessor")
    if "bufferView" not in accessor and count > _MOST_EMPTY:
        raise _broken(f"claims {count:,} values that no part of it holds")
    if "bufferView" in accessor:
        view = views[accessor["bufferView"]]
        stride = view.get("byteStride", size)
        if count and accessor.get("byteOffset", 0) + stride * (count - 1) + size > view["byteLength"]:
            raise _broken(f"claims {count:,} values where its buffer view has no room for them")
    for part in ("indices", "values") if "sparse" in accessor else ():
        if accessor["sparse"]["count"] > views[accessor["sparse"][part]["bufferView"]]["byteLength"]:
            raise _broken("claims more sparse values than it holds")


def _check_images(tree: dict[str, Any], views: list[dict[str, Any]], binary: bytes | None, beside: Beside) -> None:
    pictures = []
    for entry in tree.get("images", []):
        if "uri" in entry:
            pictures.append(_resource(entry["uri"], beside))
        else:
            view = views[entry["bufferView"]]
            start = view.get("byteOffset", 0)
            uri = tree["buffers"][view["buffer"]].get("uri")
            held = (binary or b"") if uri is None else _resource(uri, beside)
            pictures.append(held[start : start + view["byteLength"]])
    # Materials of this older kind are turned into others by opening their pictures once for each.
    times = sum("KHR_materials_pbrSpecularGlossiness" in entry.get("extensions", {}) for entry in tree.get("materials", []))
    check_pictures(pictures, times=max(1, times))


def check_pictures(pictures: Iterable[bytes], *, times: int = 1) -> None:
    """Refuse textures that would take too much room once opened, by their headers; ``times`` is how often each will be.

    Raises:
        InputError: too many pixels.
    """
    from PIL import Image

    total = 0
    for raw in pictures:
        try:
            with warnings.catch_warnings(), Image.open(io.BytesIO(raw), formats=PICTURES) as picture:
                warnings.simplefilter("ignore", Image.DecompressionBombWarning)
                total += picture.width * picture.height * times
        except Image.DecompressionBombError:
            total += MOST_PIXELS + 1
        except (OSError, ValueError, SyntaxError):
            raise InputError(f"has a texture that is not a picture of the kinds {', '.join(PICTURES)}", fix="save its textures as PNG or JPEG") from None
        if total > MOST_PIXELS:
            raise InputError(f"has textures of more than {MOST_PIXELS / 1e6:g} million pixels", fix="make its textures smaller")


def _check_nodes(tree: dict[str, Any]) -> None:
    """Each node hangs in one place (glTF 2.0, section 3.5.2), so that nothing loops or multiplies, and the triangles are counted."""
    nodes = tree.get("nodes", [])
    parents = [0] * len(nodes)
    for node in nodes:
        for child in node.get("children", []):
            parents[child] += 1
    roots = [root for scene in tree.get("scenes", []) for root in scene.get("nodes", [])]
    if any(count > 1 for count in parents) or any(parents[root] for root in roots):
        raise _broken("has a node that hangs in two places or below itself")
    level = roots
    for _ in range(MOST_DEEP + 1):
        level = [child for node in level for child in nodes[node].get("children", [])]
    if level:
        raise InputError(f"has nodes more than {MOST_DEEP} deep", fix="export it with its nodes side by side")
    accessors, faces = tree.get("accessors", []), []
    for mesh in tree.get("meshes", []):
        corners = [accessors[p["indices"] if "indices" in p else p["attributes"]["POSITION"]]["count"] for p in mesh["primitives"]]
        faces.append(sum(corners) // 3)
    _few_parts(sum(len(tree["meshes"][node["mesh"]]["primitives"]) for node in nodes if "mesh" in node))
    total = sum(faces[node["mesh"]] for node in nodes if "mesh" in node)
    if total > MOST_FACES:
        raise _too_many(total)


def _check_ply(raw: bytes) -> None:
    head, mark, _ = raw[:100_000].partition(b"end_header")
    if not head.startswith(b"ply") or not mark:
        raise _broken("is not a PLY file")
    lines = [line.split() for line in head.decode("ascii", "replace").splitlines()]
    text = any(line[:2] == ["format", "ascii"] for line in lines)
    have = len(raw) - len(head) - len(mark) - 1  # and the line's end
    need = 0
    count = each = 0
    try:
        for line in [*lines, ["element", "end", "0"]]:
            if line[:1] == ["element"]:
                need += count * each
                count, each = int(line[2]), 0
                if count < 0:
                    raise ValueError
                if line[1] == "face" and count > MOST_FACES:
                    raise _too_many(count)
            elif line[:1] == ["property"]:
                each += 2 if text else _SCALAR_BYTES[line[2] if line[1] == "list" else line[1]]
    except InputError:
        raise
    except (ValueError, KeyError, IndexError):
        raise _broken("has a PLY header that can't be read") from None
    if need > have + 4:
        raise _broken(f"claims at least {need:,} bytes of data but has {have:,}")


def _check_stl(raw: bytes) -> None:
    if len(raw) >= 84:
        claimed = int(struct.unpack_from("<I", raw, 80)[0])
        if len(raw) == 84 + 50 * claimed:
            if claimed > MOST_FACES:
                raise _too_many(claimed)
            return
    if raw.lstrip()[:5].lower() == b"solid" and b"facet" in raw[:4096].lower():
        if len(raw) > MOST_TEXT_BYTES:
            raise InputError(f"is text of more than {MOST_TEXT_BYTES / 1e6:g} MB", fix="save it as binary STL")
        return
    if len(raw) >= 84:
        raise _broken(f"claims {claimed:,} triangles ({50 * claimed:,} bytes) but has {len(raw) - 84:,} bytes of them")
    raise _broken("is not an STL file")


def _check_obj(raw: bytes, beside: Beside) -> None:
    if len(raw) > MOST_TEXT_BYTES:
        raise InputError(f"is larger than {MOST_TEXT_BYTES / 1e6:g} MB", fix="save it as GLB or binary PLY")
    faces = raw.count(b"\nf ")
    if faces > MOST_FACES:
        raise _too_many(faces)
    _few_parts(len(set(_named(raw, rb"usemtl"))), MOST_OBJ_MATERIALS)
    pictures = []
    for library in _named(raw, rb"mtllib"):
        path = beside.locate(library)
        if not os.path.isfile(path):
            continue  # a mesh without its colours is still a mesh
        for picture in _named(beside.read(library), rb"(?:map_[A-Za-z_]+|bump|disp|decal|norm|refl)"):
            name = picture.split(" ")[-1] if picture.startswith("-") else picture
            if os.path.isfile(beside.locate(name)):
                pictures.append(beside.read(name))
    check_pictures(pictures)


def _named(raw: bytes, keyword: bytes) -> list[str]:
    return [
        found.decode("utf-8", "replace").strip() for found in re.findall(rb"^[ \t]*" + keyword + rb"[ \t]+([^\r\n]+)", raw, flags=re.MULTILINE | re.IGNORECASE)
    ]


def _short(name: str) -> str:
    plain = "".join(c if c.isprintable() else "?" for c in name)
    return plain if len(plain) <= 60 else plain[:57] + "..."
