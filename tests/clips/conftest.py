"""Rendered flights, once for all tests of this room."""

from __future__ import annotations

from pathlib import Path

import pytest
from clip_rigs import pairing_of
from flown_clips import Eye, Flight, write_clips

from framematch.clips.clock import match_clocks
from framematch.clips.flex import Flex
from framematch.clips.moment import instants
from framematch.clips.reader import read_turns
from framematch.clips.together import Together, brought_together, together
from framematch.clips.turns import Turns, clip_camera

EVEN = Flight(
    seed=1,
    length_s=7.0,
    speed_m_s=0.5,
    recording=Eye(straight=True, view_deg=45.0, fps=25.0, readout_s=0.012),
    monitoring=Eye(straight=False, view_deg=110.0, fps=30.0, readout_s=0.008),
    rate_ppm=60.0,
    repeated=0.03,
    dropped=0.03,
)


@pytest.fixture(scope="session")
def flight() -> Flight:
    return EVEN


@pytest.fixture(scope="session")
def clips(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Recording and monitoring clip of ``flight``."""
    return write_clips(EVEN, tmp_path_factory.mktemp("flight"))


@pytest.fixture(scope="session")
def both(clips: tuple[Path, Path]) -> tuple[Turns, Turns]:
    """Turns of the recording and the monitoring clip."""
    rig = pairing_of(EVEN)
    cameras = {"recording": rig.recording, "monitoring": rig.monitoring}
    recording, monitoring = (
        read_turns(path, lambda size, which=which: clip_camera(cameras[which], size, name=which, which=which))
        for path, which in zip(clips, cameras, strict=True)
    )
    return recording, monitoring


@pytest.fixture(scope="session")
def found(flight: Flight, clips: tuple[Path, Path], both: tuple[Turns, Turns]) -> Together:
    """Both clips checked together."""
    rig = pairing_of(flight)
    clocks = match_clocks(*both, rig.mount.recording_from_monitoring)
    chosen = instants(*both, clocks, every_s=1.2, most=3)
    flex = Flex(clocks, both[1])
    pairs = brought_together(rig, both, clocks, flex, chosen, clips)
    return together(rig, *both, clocks, flex, chosen, pairs)
