"""Two clips checked, beside decoding them and following corners through the same frames with OpenCV alone."""

from __future__ import annotations

import time

import pytest
from clip_rigs import pairing_of
from flown_clips import Eye, Flight, write_clips

from framematch.clips.together import check_clips

cv2 = pytest.importorskip("cv2")

FLIGHT = Flight(
    seed=7,
    length_s=20.0,
    recording=Eye(straight=True, view_deg=45.0, size_px=(480, 270), written_px=(1920, 1080), fps=25.0, readout_s=0.012),
    monitoring=Eye(straight=False, view_deg=110.0, size_px=(480, 270), written_px=(1280, 720), fps=30.0, readout_s=0.008),
)


def _plainly(path) -> None:
    import av

    last = None
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            grey = frame.to_ndarray(format="gray")
            if last is not None:
                corners = cv2.goodFeaturesToTrack(last, 260, 0.01, max(5, grey.shape[1] // 50), blockSize=5)
                if corners is not None:
                    cv2.calcOpticalFlowPyrLK(last, grey, corners, None, winSize=(17, 17), maxLevel=3)
            last = grey


def test_two_clips_beside_decoding_and_tracking(tmp_path, record_property):
    clips = write_clips(FLIGHT, tmp_path)
    began = time.process_time()
    for path in clips:
        _plainly(path)
    plain, began = time.process_time() - began, time.process_time()
    found = check_clips(pairing_of(FLIGHT), *clips)
    ratio = (time.process_time() - began) / plain
    assert len(found.moments) > 20
    record_property("checking two clips over decoding and OpenCV's tracking of their own frames, processor time", round(ratio, 2))
