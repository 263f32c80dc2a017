"""Work for the service's tests, quick to start in a spawned process: the photo's bytes say what to do."""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from matcher.core.answer_json import from_json
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.supervised import supervised_pool
from matcher.core.settings import Settings
from matcher.jobs.job import Job, JobResult
from matcher.jobs.render.closer import Closer, LookCloser
from matcher.jobs.render.overlays import DrawLayers, Layers


def obey(job: Job) -> JobResult:
    """`die`, `wait PATH`, `spin`, `eat`, `fail CODE`, `raise`, `blank`; anything else is a photo with one card."""
    data = job.source if isinstance(job.source, bytes) else job.source.read_bytes()
    order, _, rest = data.decode("utf-8", "replace").partition(" ")
    if rest.startswith("once "):  # `die once PATH`: not again where the mark is there
        mark = Path(rest.removeprefix("once "))
        order = "" if mark.exists() else order
        mark.touch()
    if order == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if order == "wait":
        while not Path(rest).exists():
            time.sleep(0.01)
    if order == "spin":
        while True:
            pass
    if order == "eat":
        return _refused(job, "not_an_image", f"{len(bytearray(int(rest)))} bytes")
    if order == "raise":
        raise RuntimeError("the secret of /var/inside")
    if order == "fail":
        return _refused(job, rest, "it fails")
    drawn: list[object] = [layers(step.most) for step in job.steps if isinstance(step, DrawLayers)]
    drawn += [
        Closer(2.0, b"\xff\xd8 card", b"RIFF reference", None, None)
        for step in job.steps
        if isinstance(step, LookCloser)
    ]
    if order == "blank":
        blank = Layers({"photo": b"\xff\xd8 photo"}, ())
        return JobResult(_refused(job, "no_card", "no card").answer, (blank,) if drawn else ())
    return JobResult(from_json(answer(job.name)), tuple(drawn))


def _refused(job: Job, code: str, why: str) -> JobResult:
    error = {"code": code, "message": f"{job.name}: {why}"}
    return JobResult(from_json({**answer(job.name), "error": error, "cards": []}))


def answer(name: str) -> dict[str, Any]:
    """The contract's object: one card with seven candidates."""
    return {
        "photo": name,
        "sha256": "0" * 64,
        "width": 3024,
        "height": 4032,
        "error": None,
        "cards": [
            {
                "quad": [[100.5, 200.0], [1000.0, 210.0], [990.0, 1800.0], [90.0, 1790.0]],
                "outcome": "new_crop",
                "record_id": None,
                "pose": "P001",
                "crop": None,
                "caption": None,
                "confidence": {"pose": 0.99, "crop": 0.1, "caption": None, "mark": None, "record": None, "copy": None},
                "candidates": [candidate(number) for number in range(7)],
                "face": {
                    "size_mm": None,
                    "residual_contrast": 0.41,
                    "glare": 0.02,
                    "sharpness": 0.7,
                    "turned": 180,
                    "unevenness": 0.12,
                    "aspect": 0.571,
                    "off_nominal": -0.0066,
                    "off_size_mm": [-0.1, 0.4],
                    "off_square": 0.3,
                    "scale": "scan",
                    "upright": 0.98,
                    "back": 0.004,
                    "sigma": {"residual_contrast": 0.03, "size_mm": 0.28},
                    "by_hand": False,
                    "format": "",
                },
                "reasons": ["the picture agrees", "its window does not"],
                "lines": [],
            }
        ],
        "versions": {"platekin": "0.1.0", "process": str(os.getpid())},
    }


def layers(most: int) -> Layers:
    """The pictures of `answer`: bytes that only begin like pictures; the second candidate is not laid over it."""
    pictures = {"photo": b"\xff\xd8 photo", "1/face": b"\xff\xd8 face", "1/crops": b"\xff\xd8 crops"}
    for place in range(1, min(most, 7) + 1):
        if place != 2:
            pictures |= {f"1/{place}/laid": b"RIFF laid", f"1/{place}/agreement": b"\xff\xd8 agreement"}
    square = [[1.0, 1.0], [9.0, 1.0], [9.0, 9.0], [1.0, 9.0]]
    known = [{"crop": "A", "probability": 0.1, "corners": square}]
    told = {"pose": "P001", "sigma_mm": 0.3, "sigma_px": 3.0, "width": 10, "height": 10, "own": square, "known": known}
    return Layers(pictures, (told,))


def candidate(number: int) -> dict[str, Any]:
    return {
        "record_id": f"V00{number}",
        "pose": "P001",
        "crop": "A",
        "caption": "SITTER 1, Oakmere",
        "reference": str(number),
        "confidence": {"pose": 0.99, "crop": 0.1, "caption": None, "mark": None, "record": None, "copy": 0.02},
        "crop_shift_mm": {"dx": 0.1, "dy": -0.3, "scale": 1.002, "sigma_mm": 0.3} if number else None,
        "evidence": {"inliers": 120, "method": "orb", "words": ["the picture agrees"]},
    }


def threads(folder: Path, settings: Settings, workers: int, limits: WorkLimits) -> Executor:
    """Quick to start, for what does not depend on processes."""
    return ThreadPoolExecutor(workers)


def decoders(limits: WorkLimits) -> Executor:
    """Where pictures are decoded, quick to start; the processes themselves have tests of their own."""
    return ThreadPoolExecutor(2)


def processes(folder: Path, settings: Settings, workers: int, limits: WorkLimits) -> Executor:
    """Spawned and watched over, like the matcher's own, but without its work bench."""
    return supervised_pool(workers, limits=limits)


QUICK: dict[str, Any] = {"make_pool": threads, "make_pictures": decoders}
"""For `create_app`: no processes."""
