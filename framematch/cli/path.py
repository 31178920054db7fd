"""The command for a flight that leans: what follows along it, and the questions the other way round."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from framematch.cli.figures import one_printed, write_json, write_new, write_out
from framematch.cli.options import Csv, Json, Kit, Paper, SheetOut, ShotPairing, Starter, Units
from framematch.cli.screen import heading, print_tables, say, screen
from framematch.cli.shot import ShotOptions, with_shot_options

if TYPE_CHECKING:
    from framematch.compare.along import Along, Filming, Thing
    from framematch.compare.path_questions import Bounds
    from framematch.day.given import Day
    from framematch.geometry.pairing import Pairing
    from framematch.shot.flown import Flown
    from framematch.shot.shot import Shot


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("path", short_help="What follows along a flight that leans.")(path)


@with_shot_options
def path(
    file: ShotPairing,
    options: ShotOptions,
    day: Annotated[Optional[Path], typer.Option(help="Day file: its mass, drag, air and pack go before the shot's.", metavar="DAYFILE")] = None,  # noqa: UP045
    keep_horizon: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Which camera tilt keeps the horizon longest between two heights of the frame, percent: 40:70.", metavar="P:P"),
    ] = None,
    keep: Annotated[Optional[str], typer.Option(help="The same for a subject's middle: dancer:30:70.", metavar="NAME:P:P")] = None,  # noqa: UP045
    fastest: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="How fast nothing on a list goes wrong: blur=1.5,horizon=0:100,roll=20,pack=80,room=30 (percent, degrees, cm).", metavar="LIST"),
    ] = None,
    json: Json = None,
    csv: Csv = None,
    out: SheetOut = None,
    no_guide: Annotated[bool, typer.Option("--no-guide", help="Leave out the guide's error (faster).")] = False,
    no_room: Annotated[bool, typer.Option("--no-room", help="Leave out the room to the place's surfaces (faster).")] = False,
    starter: Starter = None,
    paper: Paper = "A4",
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Say what follows along a flight: horizon, edges and subjects in the frame, blur, the guide, margins, room, pack."""
    from functools import partial

    from framematch.compare.along import along, things_of
    from framematch.compare.along_report import along_csv, along_json, sentences, text_tables
    from framematch.day.aircraft import flying_on
    from framematch.files.pairing import read_pairing
    from framematch.guide.best import best_guide
    from framematch.guide.shown import quantity
    from framematch.output.sheet_page import check_sheet_name

    if starter is not None:
        from framematch.files.starter import STARTER_PATH

        write_new(starter, STARTER_PATH, field="--starter")
        say(f"Wrote {starter}. Fill it in, then: framematch path {file} --shot {starter} --out flight.pdf")
        return
    printed = one_printed(json, csv)
    if out is not None:
        check_sheet_name(out)
    pairing = read_pairing(file, kit=kit)
    days = None if day is None else _day(day, kit)
    asked = options.asked(pairing, file, flies=None if days is None else partial(flying_on, days))
    flown = _flown(asked, options.shot or file)
    things = things_of(asked)
    questions = _questions(things, keep_horizon, keep)
    limits = None if fastest is None else _list(fastest)
    filming = _filming(pairing, asked, flown, days, room=not no_room)
    found = along(pairing, flown, things, filming=filming, guide=None if no_guide else best_guide(pairing))
    answers = _answers(pairing, found, questions, limits)
    if out is not None:
        from framematch.output.path_sheet import write_path_sheet

        write_path_sheet(out, found, asked=answers, paper=paper)
    write_json(json, lambda: {**along_json(found), "answers": answers})
    write_out(csv, lambda: along_csv(found))
    console = screen(stderr=printed)
    heading(console, pairing.title, f"   {quantity(flown.length_m, 'm', '.1f')} in {flown.duration_s:.2f} s")
    print_tables(console, text_tables(found))
    *said, caution = sentences(found)
    for line in (*said, *answers, caution):
        console.print(line)
    if out is not None:
        console.print(f"Wrote {out}", style="dim")


def _day(file: Path, kit: Path | None) -> Day:
    from framematch.files.day import read_day

    return read_day(file, kit=kit)


def _flown(shot: Shot, file: Path) -> Flown:
    from framematch.errors import InputError

    flown = shot.flown
    if flown is None:
        raise InputError("has no path", field="path", file=str(file), fix='add [[path.point]] tables, or [path] with log = "FILE.csv"')
    return flown


def _filming(pairing: Pairing, shot: Shot, flown: Flown, day: Day | None, *, room: bool) -> Filming:
    from functools import partial

    from framematch.compare.along import Filming, box_of
    from framematch.day.aircraft import pack_of, rig_of
    from framematch.render.rays import first_hits
    from framematch.scene.open import scene_of
    from framematch.shot.contact import Surfaces

    place = scene_of(shot)
    craft = shot.aircraft
    return Filming(
        shutter_s=shot.run.shutter_s,
        readout_s=None if pairing.recording.readout_ms is None else pairing.recording.readout_ms / 1000,
        hits=partial(first_hits, place),
        box=box_of(craft) if craft is not None and room else None,
        surfaces=Surfaces(vertices_m=place.surface.vertices, faces=place.surface.faces) if room else None,
        openings=shot.openings,
        uncertainty_m=craft.uncertainty_cm / 100 if craft is not None else 0.0,
        rig=None if day is None else rig_of(day, flown.flying.density_kg_m3)[0],
        pack=None if day is None or day.pack is None else pack_of(day),
    )


def _questions(things: tuple[Thing, ...], keep_horizon: str | None, keep: str | None) -> list[tuple[Thing | None, float, float]]:
    """What is to be kept in the frame (None for the horizon) and between which heights."""
    from framematch.errors import InputError

    out: list[tuple[Thing | None, float, float]] = [] if keep_horizon is None else [(None, *_bounds(keep_horizon, "--keep-horizon"))]
    if keep is not None:
        name, _, bounds = keep.partition(":")
        thing = next((t for t in things if t.name == name), None)
        if thing is None:
            raise InputError(f"there is no subject {name!r}", field="--keep", fix=f"use one of {', '.join(t.name for t in things)}")
        out.append((thing, *_bounds(bounds, "--keep")))
    return out


def _answers(pairing: Pairing, found: Along, questions: list[tuple[Thing | None, float, float]], limits: Bounds | None) -> list[str]:
    from framematch.compare.path_questions import best_tilt, fastest
    from framematch.guide.shown import quantity

    def speeds(each: tuple[tuple[str, float], ...]) -> str:
        return ", ".join(f"{name}: {quantity(speed, 'm/s', '.1f')}" for name, speed in each)

    out = []
    for thing, low, high in questions:
        best = best_tilt(pairing, found.flown, low_percent=low, high_percent=high, subject=thing)
        out.append(
            f"{best.tilt_deg:.1f} deg of camera tilt ({best.from_deg:.1f} to {best.to_deg:.1f}) keeps {'the horizon' if thing is None else thing.name} "
            f"between {low:g} and {high:g} % of the frame's height for {best.share_percent:.0f} % of the time; as it is now, for {best.now_percent:.0f} %."
        )
    if limits is not None:
        f = found.filming
        quick = fastest(pairing, found.flown, limits, shutter_s=f.shutter_s, rig=f.rig, pack=f.pack, box=f.box, surfaces=f.surfaces)
        out.append(
            f"Nothing on the list goes wrong up to {quantity(quick.speed_m_s, 'm/s', '.1f')} at its fastest ({quick.factor:.2f} of what is planned); "
            f"first goes: {quick.first_wrong}."
        )
        out.append(f"Up to, each alone: {speeds(quick.each)}.")
        if quick.at_least:
            out.append(f"Wrong below, {speeds(quick.at_least)}.")
        if quick.wrong_anyway:
            out.append(f"Wrong at every speed: {', '.join(quick.wrong_anyway)}.")
    return out


def _bounds(text: str, option: str) -> tuple[float, float]:
    from framematch.errors import InputError

    try:
        low, high = (float(part) for part in text.split(":"))
    except ValueError:
        raise InputError(f"{text!r} are not bounds", field=option, fix="write the lower and the higher, such as 40:70") from None
    return low, high


def _list(text: str) -> Bounds:
    from framematch.compare.path_questions import Bounds
    from framematch.errors import InputError

    given: dict[str, Any] = {}
    for item in text.split(","):
        name, _, value = item.strip().partition("=")
        try:
            if name == "horizon":
                given["horizon_percent"] = _bounds(value, "--fastest")
            elif name in ("blur", "roll", "pack", "room"):
                key = {"blur": "blur_percent", "roll": "horizon_roll_deg", "pack": "pack_percent", "room": "clear_m"}[name]
                given[key] = float(value) / (100 if name == "room" else 1)
            else:
                raise ValueError
        except ValueError:
            raise InputError(f"{item!r} can't be kept", field="--fastest", fix="list some of blur=%, horizon=%:%, roll=deg, pack=%, room=cm") from None
    return Bounds(**given)
