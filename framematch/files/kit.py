"""A kit: bodies, lenses and goggles, each written once; every body with every lens on every goggles is a pairing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, model_validator

from framematch.errors import InputError
from framematch.files.pairing import pairing_in
from framematch.files.pairing_tables import (
    DisplayTable,
    DistortionTable,
    MonitoringTable,
    MountTable,
    OneLine,
    PairingFile,
    ShotTable,
    ToleranceTable,
)
from framematch.geometry.pairing import Pairing
from framematch.text.toml import Table, parse_toml, validated
from framematch.text.whole import read_text

MOST_OF_A_KIND, MOST_PAIRINGS = 24, 60
BODY, LENS, GOGGLES = "body", "lens", "goggles"
FIRST_BODY = "Body A"
KINDS = (BODY, LENS, GOGGLES)
_BODY_KEYS = ("serial", "sensor_mm", "format", "raster_px", "readout_ms", "frame")
_LENS_KEYS = ("focal_mm", "projection", "distortion", "centre_px", "squeeze", "f_number", "focus_m")
_GOGGLES_KEYS = ("serial", "sensor_mm", "format", "raster_px", "focal_mm", "angle_deg", "projection", "distortion", "centre_px", "readout_ms", "display")
Name = Annotated[OneLine, Field(min_length=1, max_length=60)]


class BodyTable(Table):
    name: Name = Field(description="what the crew calls this body")
    serial: OneLine = Field(default="", description="its serial number or the crew's own")
    sensor_mm: tuple[float, float] | None = Field(default=None, description="area read out in this mode, [width, height] in mm")
    format: str | None = Field(default=None, description="a generic format's name in place of sensor_mm")
    raster_px: tuple[int, int] = Field(description="the recorded picture, [width, height] in pixels")
    readout_ms: float | None = Field(default=None, description="from the first row to the last, in milliseconds")
    frame: Any = Field(default=None, description="the part that will be shown")


class LensTable(Table):
    name: Name = Field(description="what the crew calls this lens")
    serial: OneLine = Field(default="", description="its serial number or the crew's own")
    focal_mm: float = Field(description="focal length in mm")
    projection: str | None = Field(default=None, description="how the lens maps angles to the picture")
    distortion: DistortionTable | None = Field(default=None, description="{ model, k, p } of a measured lens")
    centre_px: tuple[float, float] | None = Field(default=None, description="where its axis meets the raster of the body it was measured on")
    on: str = Field(default="", description="the body that centre_px was measured on")
    squeeze: float = Field(default=1.0, description="anamorphic squeeze")
    f_number: float | None = Field(default=None, description="stop")
    focus_m: float | None = Field(default=None, description="distance focused at, metres or inf")


class GogglesTable(MonitoringTable):
    name: Name = Field(description="what the crew calls these goggles with their camera")
    display: DisplayTable | None = Field(default=None, description="the picture in the goggles")
    mount: MountTable | None = Field(default=None, description="where their camera sits on the rig, if not as [mount]")


class KitFile(Table):
    """A kit file's contents."""

    title: Annotated[str, Field(max_length=200)] = Field(default="", description="what this kit is called")
    production: OneLine = Field(default="", description="the production that it is for")
    unit: OneLine = Field(default="", description="main unit, second unit and so on")
    notes: Annotated[OneLine, Field(max_length=300)] = Field(default="", description="what the crew should know, one line")
    shot: ShotTable = Field(description="the distances that the guides have to serve")
    body: tuple[BodyTable, ...] = Field(min_length=1, max_length=MOST_OF_A_KIND, description="[[body]] for each recording camera's mode")
    lens: tuple[LensTable, ...] = Field(min_length=1, max_length=MOST_OF_A_KIND, description="[[lens]] for each recording lens")
    goggles: tuple[GogglesTable, ...] = Field(min_length=1, max_length=MOST_OF_A_KIND, description="[[goggles]] for each monitoring camera and its goggles")
    mount: MountTable = Field(default_factory=MountTable, description="where the monitoring camera sits and points")
    tolerance: ToleranceTable = Field(default_factory=ToleranceTable, description="how sure the figures are")

    @model_validator(mode="after")
    def _told_apart(self) -> KitFile:
        for kind in KINDS:
            names = [each.name.casefold() for each in getattr(self, kind)]
            twice = next((each.name for each in getattr(self, kind) if names.count(each.name.casefold()) > 1), None)
            if twice is not None:
                raise InputError(f"two are called {twice!r}", field=kind, fix="give each a name of its own")
        count = len(self.body) * len(self.lens) * len(self.goggles)
        if count > MOST_PAIRINGS:
            raise InputError(f"makes {count} pairings", fix=f"keep it to {MOST_PAIRINGS}: two kits may share bodies or lenses")
        return self


@dataclass(frozen=True, kw_only=True)
class KitPairing:
    """One body with one lens on one pair of goggles.

    Args:
        text: its pairing file; empty where ``fault`` says why there is none.
    """

    body: str
    lens: str
    goggles: str
    title: str
    text: str
    pairing: Pairing | None
    fault: str = ""


@dataclass(frozen=True, kw_only=True)
class Kit:
    """A kit as read.

    Args:
        data: the file's tables as plain data.
    """

    file: KitFile
    data: Mapping[str, Any]

    @cached_property
    def pairings(self) -> tuple[KitPairing, ...]:
        """Every pairing, bodies first; one that its lens or its figures forbid says why."""
        return tuple(self._pairing(b, n, g) for b in self.data[BODY] for n in self.data[LENS] for g in self.data[GOGGLES])

    def _pairing(self, body: Mapping[str, Any], lens: Mapping[str, Any], goggles: Mapping[str, Any]) -> KitPairing:
        names = {BODY: body["name"], LENS: lens["name"], GOGGLES: goggles["name"]}
        told = [names[kind] for kind in KINDS if kind != GOGGLES or len(self.data[GOGGLES]) > 1]
        title, tables = ", ".join(told), self._tables(body, lens, goggles)
        tables["title"] = title
        try:
            pairing = pairing_in(validated(PairingFile, tables, name=title), name=title)
        except InputError as error:
            return KitPairing(**names, title=title, text="", pairing=None, fault=str(error))
        return KitPairing(**names, title=title, text=toml_text(tables), pairing=pairing)

    def _tables(self, body: Mapping[str, Any], lens: Mapping[str, Any], goggles: Mapping[str, Any]) -> dict[str, Any]:
        recording = _only(body, _BODY_KEYS) | _only(lens, _LENS_KEYS)
        if "centre_px" in recording and lens.get("on", "") not in ("", body["name"]):
            del recording["centre_px"]  # measured on another body: the middle is nearer
        if lens.get("serial"):
            recording["lens_serial"] = lens["serial"]
        said = {key: self.data[key] for key in ("production", "unit", "notes") if self.data.get(key)}
        mount = goggles.get("mount", self.data.get("mount"))
        rest = {key: value for key, value in (("mount", mount), ("tolerance", self.data.get("tolerance"))) if value}
        return {"title": "", **said, "shot": self.data["shot"], "recording": recording, "monitoring": _only(goggles, _GOGGLES_KEYS), **rest}


def _only(table: Mapping[str, Any], keys: Sequence[str]) -> dict[str, Any]:
    return {key: table[key] for key in keys if key in table}


def is_kit(text: str) -> bool:
    """Whether a text names bodies, as kits do and pairings don't; false for what can't be read."""
    try:
        return BODY in parse_toml(text, name="")
    except InputError:
        return False


def parse_kit(text: str, *, name: str = "kit") -> Kit:
    """The kit in TOML text.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it; or no pairing of it works.
    """
    data = parse_toml(text, name=name)
    kit = Kit(file=validated(KitFile, data, name=name), data=data)
    if all(each.pairing is None for each in kit.pairings):
        raise InputError(f"none of its pairings works, the first because of {kit.pairings[0].fault}", file=name)
    return kit


def read_kit(path: Path) -> Kit:
    """The kit in a file."""
    return parse_kit(read_text(path), name=str(path))


def toml_text(data: Mapping[str, Any]) -> str:
    """Plain data as TOML."""
    import tomlkit

    return tomlkit.dumps(data)


def kit_of_rig(data: Mapping[str, Any], pairing: Pairing) -> dict[str, Any]:
    """The tables of a kit that has one pairing's body, lens and goggles, from the pairing file's tables.

    Args:
        data: the tables, as :func:`parse_toml` gives them.
        pairing: what they make.
    """
    out: dict[str, Any] = {key: data[key] for key in ("title", "production", "unit", "notes") if data.get(key)}
    out["shot"] = data["shot"]
    out |= {kind: [entry_of_rig(kind, data, pairing, body=FIRST_BODY)] for kind in KINDS}
    return out | {key: data[key] for key in ("mount", "tolerance") if key in data}


def entry_of_rig(kind: str, data: Mapping[str, Any], pairing: Pairing, *, name: str = "", body: str = "") -> dict[str, Any]:
    """A rig's body, lens or goggles as a kit has them.

    Args:
        body: the kit's name of the rig's body, for a lens.
    """
    recording, monitoring = data["recording"], data["monitoring"]
    if kind == GOGGLES:
        return {"name": name or "Goggles 1", **_only(monitoring, _GOGGLES_KEYS)} | ({"mount": data["mount"]} if name and "mount" in data else {})
    if kind == BODY:
        return {"name": name or FIRST_BODY, **_only(recording, _BODY_KEYS)}
    lens = pairing.recording.lens
    own = _only(recording, _LENS_KEYS)
    if "focal_mm" not in own:  # given by angles, which mean another lens on another body
        bent = {"distortion": {"model": lens.projection, "k": list(lens.k)}} if lens.k else {"projection": lens.projection}
        own = {"focal_mm": round(lens.focal_mm, 4), **bent, **own}
    serial = {"serial": recording["lens_serial"]} if recording.get("lens_serial") else {}
    on = {"on": body} if body and "centre_px" in own else {}
    return {"name": name or f"{own['focal_mm']:g} mm", **serial, **own, **on}


def with_entry(data: Mapping[str, Any], kind: str, entry: Mapping[str, Any]) -> dict[str, Any]:
    """A kit's tables with another body, lens or goggles; one of the same name is replaced."""
    kept = [each for each in data[kind] if each["name"].casefold() != str(entry["name"]).casefold()]
    return {**data, kind: [*kept, dict(entry)]}


def without_entry(data: Mapping[str, Any], kind: str, name: str) -> dict[str, Any]:
    """A kit's tables without one.

    Raises:
        InputError: it is the last of its kind.
    """
    left = [each for each in data[kind] if each["name"] != name]
    if not left:
        raise InputError(f"{name!r} is the last", field=kind, fix="add another first")
    return {**data, kind: left}


def with_focals(data: Mapping[str, Any], focals_mm: Sequence[float]) -> dict[str, Any]:
    """A kit's tables with the lenses of these focal lengths: what is known of one stays, others are rectilinear."""
    known = {each["focal_mm"]: each for each in data[LENS]}
    return {**data, LENS: [known.get(focal, {"name": f"{focal:g} mm", "focal_mm": focal}) for focal in dict.fromkeys(focals_mm)]}
