"""Feeds damaged files to the readers of meshes, stills and framing files, with a bound on memory.

``python tests/helpers/fuzz_files.py mesh --seconds 300`` by hand; tests/files/test_fuzz.py runs it with a small
budget, in a process of its own so that a crash of a library is seen as one. ``--atheris`` lets the
coverage-guided fuzzer of that name, where it is installed, choose the damage.
"""

from __future__ import annotations

import argparse
import io
import os
import resource
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # also where Python is told not to look beside the script
from typing import Any

EXTRA_BYTES = 1_500_000_000  # of address space beyond what the libraries take: far more than a small file may need


def stills() -> tuple[dict[str, bytes], Callable[[Path], Any]]:
    """Small pictures of every kind read, and their reader."""
    import numpy as np
    import tifffile
    from PIL import Image

    from framematch.measure.stills import read_still

    rng = np.random.default_rng(1)
    colour = Image.fromarray(rng.integers(0, 255, (20, 24, 3), dtype=np.uint8))
    turned = Image.Exif()
    turned[0x0112] = 6

    def saved(picture: Any, kind: str, **options: Any) -> bytes:
        out = io.BytesIO()
        picture.save(out, kind, **options)
        return out.getvalue()

    deep = io.BytesIO()
    tifffile.imwrite(deep, rng.integers(0, 65535, (20, 24, 3), dtype=np.uint16), photometric="rgb")
    files = {
        "rgb.png": saved(colour, "PNG"),
        "grey16.png": saved(Image.fromarray(rng.integers(0, 65535, (20, 24), dtype=np.uint16)), "PNG"),
        "palette.png": saved(colour.convert("P"), "PNG", interlace=True),
        "turned.jpg": saved(colour, "JPEG", exif=turned),
        "progressive.jpg": saved(colour.convert("L"), "JPEG", progressive=True),
        "plain.tif": saved(colour, "TIFF"),
        "lzw.tif": saved(colour, "TIFF", compression="tiff_lzw"),
        "deflate.tiff": saved(colour.convert("L"), "TIFF", compression="tiff_deflate"),
        "deep.tif": deep.getvalue(),
    }
    return files, read_still


def meshes() -> tuple[dict[str, bytes], Callable[[Path], Any]]:
    """A small box in every kind of mesh file, one with a texture, and their reader."""
    import numpy as np
    import trimesh
    from PIL import Image

    from framematch.scene.load import load_scene
    from framematch.shot.place import Place

    box = trimesh.creation.box((1, 2, 3))
    painted = box.copy()
    painted.visual = trimesh.visual.TextureVisuals(
        uv=np.random.default_rng(1).random((len(box.vertices), 2)),
        material=trimesh.visual.material.PBRMaterial(baseColorTexture=Image.new("RGB", (8, 8), (90, 120, 60))),
    )
    coloured = box.copy()
    coloured.visual = trimesh.visual.ColorVisuals(coloured, vertex_colors=np.full((len(box.vertices), 4), 120, dtype=np.uint8))
    gltf = painted.export(file_type="glb")
    obj = box.export(file_type="obj", include_normals=True)
    files = {
        "painted.glb": gltf,
        "plain.glb": box.export(file_type="glb"),
        "coloured.ply": coloured.export(file_type="ply"),
        "text.ply": coloured.export(file_type="ply", encoding="ascii"),
        "binary.stl": box.export(file_type="stl"),
        "text.stl": box.export(file_type="stl_ascii"),
        "plain.obj": f"mtllib plain.mtl\nusemtl paint\n{obj}",
    }
    return {name: raw if isinstance(raw, bytes) else raw.encode() for name, raw in files.items()}, lambda path: load_scene(Place(file=path))


def framings() -> tuple[dict[str, bytes], Callable[[Path], Any]]:
    """A framing file of our own, with and without protection, and its reader."""
    from rigs import glasshouse

    from framematch.files.fdl import fdl_text, read_framings

    whole = glasshouse(keep_percent=100.0)
    return {"kept.fdl": fdl_text(glasshouse()).encode(), "whole.fdl": fdl_text(whole).encode()}, read_framings


KINDS = {"still": stills, "mesh": meshes, "framing": framings}


def bound_memory() -> None:
    """No more address space than what is in use now and ``EXTRA_BYTES``."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) if Path("/proc/self/statm").exists() else 0
    most = pages * os.sysconf("SC_PAGE_SIZE") + EXTRA_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, resource.getrlimit(resource.RLIMIT_AS)[1]))


def main() -> None:
    """Run one kind; any failure ends with its traceback, and the file that caused it is named."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("kind", choices=KINDS)
    asked.add_argument("--examples", type=int, default=100)
    asked.add_argument("--seconds", type=float, help="with --atheris: how long; else as FRAMEMATCH_FUZZ_SECONDS")
    asked.add_argument("--atheris", action="store_true")
    args = asked.parse_args()
    if args.seconds and not args.atheris:
        os.environ["FRAMEMATCH_FUZZ_SECONDS"] = str(args.seconds)
    from hypothesis import given
    from hypothesis import strategies as st

    files, read = KINDS[args.kind]()
    names = sorted(files)
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "plain.mtl").write_text("newmtl paint\nKd 0.5 0.4 0.3\n", encoding="ascii")
        for name in names:  # as they are they must be read; this also loads what the libraries load late
            place = Path(folder) / name
            place.write_bytes(files[name])
            read(place)
        if args.atheris:
            guided(args.kind, files, read, Path(folder), args.seconds or 60)
        from fuzzing import SECONDS, budget, damaged, edits, survives

        bound_memory()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        seen = {"read": 0, "refused": 0}

        @budget(args.examples)
        @given(st.sampled_from(names), st.sampled_from(names), edits)
        def run(name: str, other: str, changes: list[tuple[str, float, float, bytes]]) -> None:
            place = Path(folder) / name
            place.write_bytes(damaged(files[name], changes, files[other]))
            seen["refused" if survives(lambda: read(place)) is None else "read"] += 1

        run()
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        print(f"{args.kind}: {seen['read']} read, {seen['refused']} refused, {grown:.0f} MB more at most (budget {SECONDS:g} s)")
        assert seen["refused"] and grown < EXTRA_BYTES / 2**20


def guided(kind: str, files: dict[str, bytes], read: Callable[[Path], Any], folder: Path, seconds: float) -> None:
    """Coverage-guided fuzzing; libFuzzer ends the process itself, with the input that failed beside it."""
    import atheris

    from framematch.errors import InputError

    suffixes = sorted({Path(name).suffix for name in files})
    corpus = folder / "corpus"
    corpus.mkdir()
    for name, raw in files.items():
        (corpus / name).write_bytes(bytes([suffixes.index(Path(name).suffix)]) + raw)

    def one(data: bytes) -> None:
        if not data:
            return
        place = folder / f"case{suffixes[data[0] % len(suffixes)]}"
        place.write_bytes(data[1:])
        with suppress(InputError):
            read(place)

    for name in [n for n in sys.modules if n.startswith("framematch.")]:
        for value in vars(sys.modules[name]).values():
            if callable(value) and getattr(value, "__module__", "") == name and hasattr(value, "__code__"):
                atheris.instrument_func(value)
    atheris.Setup([sys.argv[0], str(corpus), f"-max_total_time={seconds:g}", "-timeout=5", "-rss_limit_mb=3000", "-max_len=20000"], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
