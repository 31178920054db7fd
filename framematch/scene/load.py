"""A mesh of one's own as a scene: GLB, glTF, OBJ, PLY or STL, such as a location scan."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from framematch.errors import InputError
from framematch.geometry.mount import rotation_from_aim
from framematch.scene.build import surface_from
from framematch.scene.ground import floor, skyline
from framematch.scene.mesh_checks import MOST_BYTES, MOST_FACES, SUFFIXES, Beside, check_mesh, check_pictures
from framematch.scene.mesh_colour import Piece, joined, piece_from
from framematch.scene.model import Bytes, Floats, Scene, Surface
from framematch.scene.people import Figure, figure_parts, subject_parts
from framematch.shot.opening import Opening
from framematch.shot.place import FARTHEST_M, LEVEL, Place
from framematch.shot.values import Subject
from framematch.text.whole import read_bytes


def placed(place: Place, vertices: Floats) -> Floats:
    """Vertices (N, 3) of a mesh in scene axes, metres."""
    v = vertices if place.up == "y" else np.column_stack([vertices[:, 0], vertices[:, 2], -vertices[:, 1]])
    turn = LEVEL @ rotation_from_aim(pan_deg=place.turned_deg) @ LEVEL
    out: Floats = place.scale_m * (v @ turn.T) + np.array(place.at_m)
    return out


def load_scene(place: Place, *openings: Opening, subjects: Sequence[Subject] = (), figures: Sequence[Figure] = (), ground: bool = False) -> Scene:
    """A scene from a mesh file, with the mesh's own colours and textures.

    Args:
        place: of a file .glb, .gltf, .obj, .ply or .stl. It may name other files in its own folder or below it, no others.
        openings: to fly through, where they are known; the mesh is taken to have them.
        subjects: who stands there.
        figures: people by their places in the scene, standing on the ground.
        ground: lay the ruled ground there, with a horizon.

    Raises:
        InputError: one line on what is wrong with the file: not there, of another kind, broken, too large,
            claiming more than it holds, naming what lies elsewhere, empty, not finite, without area, or
            too far away.
    """
    surface = mesh_surface(place)
    ground_m = _ground(place, surface)
    more = subject_parts(openings[0], subjects) if openings else []
    more += [part for look, figure in enumerate(figures, len(subjects)) for part in figure_parts(figure, look=look, ground_m=ground_m)]
    if ground:
        more += [floor((-60, -60), (60, 60), material="asphalt", y_m=ground_m - 0.01), *(part.moved(y=ground_m) for part in skyline())]
    if more:
        surface = joined([_as_piece(surface), _as_piece(surface_from(more))])
    return Scene(name=place.name, surface=surface, opening=openings[0] if openings else None, ground_m=ground_m)


def ground_of(place: Place) -> float:
    """Height of the ground in a place, metres in scene axes."""
    return 0.0 if place.file is None else place.ground_m if place.ground_m is not None else _ground(place, mesh_surface(place))


def _ground(place: Place, surface: Surface) -> float:
    return float(surface.bounds[0, 1]) if place.ground_m is None else place.ground_m


def resting(place: Place) -> Floats:
    """Lowest and highest corner (2, 3) of a place's mesh in scene axes, metres.

    Raises:
        InputError: as :func:`load_scene`.
    """
    bounds: Floats = mesh_surface(place).bounds
    return bounds


def opening_in(place: Place, *, height_m: float = 1.5) -> tuple[float, tuple[float, float, float]]:
    """A mesh's lowest point and a place in its middle, so high above it: where an opening can start from before anyone says where it is."""
    low, high = resting(place)
    x, _, z = (low + high) / 2
    return round(float(low[1]), 3), (round(float(x), 3), round(float(low[1]) + height_m, 3), round(float(z), 3))


def mesh_surface(place: Place) -> Surface:
    """The triangles of a place's mesh.

    Raises:
        InputError: as :func:`load_scene`.
    """
    file = place.file
    assert file is not None
    kind = file.suffix.lower()
    if kind not in SUFFIXES:
        raise InputError(
            f"'{file.suffix or file.name}' is not a kind of mesh read here", file=str(file), fix=f"save it as {', '.join(s[1:].upper() for s in SUFFIXES)}"
        )
    raw = read_bytes(file, limit=MOST_BYTES)
    beside = Beside(file)
    check_mesh(file, raw, beside)
    pieces = [_checked(piece, file) for piece in _pieces(file, raw, beside)]
    del raw
    return joined(_placed(pieces, place, file))


def _pieces(file: Path, raw: bytes, beside: Beside) -> list[Piece]:
    import trimesh

    kind = file.suffix.lower()[1:]
    try:
        with _quiet():
            loaded = trimesh.load_scene(io.BytesIO(raw), file_type=kind, resolver=_resolver(beside), process=False)
            pieces: list[Piece] = []
            opened: dict[int, Bytes | None] = {}
            faces = 0
            for node in loaded.graph.nodes_geometry:
                transform, name = loaded.graph[node]
                geometry = loaded.geometry[name]
                if not isinstance(geometry, trimesh.Trimesh) or not len(geometry.faces):
                    continue
                faces += len(geometry.faces)
                if faces > MOST_FACES:
                    raise InputError(f"has more than {MOST_FACES:,} triangles", file=str(file), fix="reduce the mesh first")
                pieces.append(piece_from(geometry, np.asarray(transform, dtype=np.float64), linear=kind in ("glb", "gltf"), opened=opened))
    except InputError:
        raise
    except MemoryError:
        raise InputError("takes more memory than there is", file=str(file), fix="reduce the mesh first") from None
    except Exception as error:  # a mesh can break its reader in any way
        reason = " ".join(str(error).split())[:80] or type(error).__name__
        raise InputError(f"can't be read as {kind.upper()} ({reason})", file=str(file), fix="export the mesh again") from None
    if not pieces:
        raise InputError("has no triangles", file=str(file), fix="export a mesh with faces, not points or an empty scene")
    return pieces


@contextmanager
def _quiet() -> Iterator[None]:
    """No warnings or log lines of the reader: what matters is raised, in one line."""
    logger = logging.getLogger("trimesh")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.setLevel(level)


def _resolver(beside: Beside) -> Any:
    from trimesh.resolvers import Resolver

    class Held(Resolver):
        """Hands the reader what :class:`Beside` allows."""

        def __init__(self) -> None:
            pass

        def get(self, key: str) -> bytes:
            raw = beside.read(key)
            if Path(key).suffix.lower() not in (".bin", ".mtl"):
                check_pictures([raw])
            return raw

        def write(self, name: str, data: Any) -> None:
            raise NotImplementedError

        def namespaced(self, namespace: str) -> Any:
            raise NotImplementedError

        def keys(self) -> list[str]:
            return []

    return Held()


def _checked(piece: Piece, file: Path) -> Piece:
    bad = len(piece.vertices) - int(np.isfinite(piece.vertices).all(axis=1).sum())
    if bad:
        raise InputError(f"{bad:,} of {len(piece.vertices):,} vertices are not numbers", file=str(file), fix="repair the mesh in the program that made it")
    if len(piece.faces) and (piece.faces.min() < 0 or piece.faces.max() >= len(piece.vertices)):
        raise InputError("has triangles that name vertices which aren't there", file=str(file), fix="export the mesh again")
    return piece


def _placed(pieces: list[Piece], place: Place, file: Path) -> list[Piece]:
    out = []
    area = 0.0
    for piece in pieces:
        far = float(np.abs(piece.vertices).max(initial=0.0))
        if far > 1e12:
            raise InputError(f"has a vertex {far:.3g} units away", file=str(file), fix="repair the mesh, or move it to its origin")
        vertices = placed(place, piece.vertices)
        far = float(np.abs(vertices).max(initial=0.0))
        if far > FARTHEST_M:
            raise InputError(
                f"reaches {far:,.0f} m from the scene's middle, more than {FARTHEST_M:,.0f} m",
                file=str(file),
                fix="give its scale (0.001 for millimetres), or move it to its origin",
            )
        corners = vertices[piece.faces]
        areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
        area += float(areas.sum())
        out.append(piece.replaced(vertices=vertices, faces=piece.faces[areas > 0]))
    if area < 1e-8:
        raise InputError("its triangles have no area", file=str(file), fix="check its scale, or export the mesh again")
    return [piece for piece in out if len(piece.faces)]


def _as_piece(surface: Surface) -> Piece:
    return Piece(vertices=surface.vertices, faces=surface.faces, colours=surface.colours, uv=surface.uv, texture=surface.texture)
