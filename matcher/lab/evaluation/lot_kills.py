"""A lot's run killed at random moments and run again: is the result that of an undisturbed run, nothing done twice?

The stages are replaced by quick invented answers, so that many kills meet the bookkeeping and not the pictures. Every
content that is asked is noted; whatever had been answered when the process was killed must not be asked again.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
import traceback
from collections.abc import Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.catalogue.log.decisions import person
from matcher.core.answer import AnswerError, CardResult, FaceFacts, PhotoAnswer
from matcher.core.ladder.candidate import Confidence
from matcher.core.settings import Settings
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.lot import run as runs
from matcher.jobs.lot import store
from matcher.jobs.lot.results import COLUMNS, rows_of

FILES = 60
SLOW_S = 0.004
"""How long an invented answer takes."""


def run(folder: Path, kills: int, seed: int) -> str:
    """Kill so many times, over as many lots as that takes; returns one line."""
    rng = random.Random(seed)
    shutil.rmtree(folder, ignore_errors=True)
    scans = make_scans(folder / "scans", seed)
    wanted = _rows(_whole_run(folder / "whole", scans))
    killed = twice = differing = unclean = lots = 0
    while killed < kills:
        lots += 1
        work = folder / f"work{lots}"
        while True:
            before = _answered(work)
            asked = rng.randrange(20)
            ended = _killed(work, scans, asked, rng.uniform(0.0, 0.03 if asked else 0.4))
            twice += len(before & _asked_since(work))
            if not ended:
                break
            killed += 1
        with Catalogue.open(work / "catalogue") as catalogue:
            unclean += bool(check(catalogue))
        differing += _rows(work / "catalogue") != wanted
        shutil.rmtree(work)
    return (
        f"kill -9 at {killed} random moments over {lots} lots of {FILES} files: {twice} asked twice, "
        f"{differing} lots differ from an undisturbed run, {unclean} catalogues not clean"
    )


def make_scans(folder: Path, seed: int) -> Path:
    """Small pictures; every tenth is there twice, and some are none."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng([seed, 80])
    for number in range(FILES):
        path = folder / f"scan{number}.png"
        if number % 10 == 9:
            shutil.copyfile(folder / f"scan{number - 1}.png", path)
        else:
            cv2.imwrite(str(path), rng.integers(0, 255, (70, 64), dtype=np.uint8))
    return folder


def invented(jobs: Sequence[Job], folder: Path, settings: Settings, workers: int | None = None) -> Iterator[JobResult]:
    """In place of `identify_all`: what is asked is noted first."""
    for job in jobs:
        assert isinstance(job.source, Path)
        data = job.source.read_bytes()
        digest = sha256(data).hexdigest()
        with (folder.parent / "asked").open("a") as stream:
            stream.write(digest + "\n")
            stream.flush()
            os.fsync(stream.fileno())
        time.sleep(SLOW_S)
        yield JobResult(answer(job.name, digest))


def answer(name: str, digest: str) -> PhotoAnswer:
    """An answer that follows from the content alone; every seventh is a failure."""
    if int(digest[:4], 16) % 7 == 0:
        return PhotoAnswer(name, digest, 64, 70, AnswerError("no_card", "no card"), (), versions())
    card = CardResult(
        quad=((0.0, 0.0), (60.0, 0.0), (60.0, 70.0), (0.0, 70.0)), outcome="undecided", record_id=None, pose=None,
        crop=None, caption=None, confidence=Confidence(0.9, 0.9, 0.9, 0.9, 0.9), candidates=(),
        face=FaceFacts(None, 0.5, 0.0, 0.5, 0), reasons=(digest[:8],),
    )  # fmt: skip
    return PhotoAnswer(name, digest, 64, 70, None, (card,), versions())


def _work(work: Path, scans: Path) -> None:
    work.mkdir(parents=True, exist_ok=True)
    with Catalogue.open(work / "catalogue", create=True) as catalogue:
        runs.run(catalogue, [scans], person("evaluation"), Settings(), identify=invented, compare=False)


def _whole_run(work: Path, scans: Path) -> Path:
    _killed(work, scans, FILES + 1, 0.0)
    return work / "catalogue"


def _rows(folder: Path) -> list[list[Any]]:
    with Catalogue.open(folder) as catalogue:
        return [[row[name] for name in COLUMNS] for lot in store.lots(catalogue) for row in rows_of(catalogue, lot)]


def _answered(work: Path) -> set[str]:
    """Contents whose answer, or failure, is stored; what is asked from now on is noted anew."""
    (work / "asked").unlink(missing_ok=True)
    if not (work / "catalogue" / "catalogue.sqlite").is_file():
        return set()
    with Catalogue.open(work / "catalogue", create=True) as catalogue:
        rows = [row for lot in store.lots(catalogue) for row in store.items(catalogue, lot.lot_id)]
        return {row.sha256 for row in rows if row.state != "queued"}


def _asked_since(work: Path) -> set[str]:
    path = work / "asked"
    return set(path.read_text().split()) if path.is_file() else set()


def _killed(work: Path, scans: Path, asked: int, seconds: float) -> bool:
    """Run in a forked process, killed so long after it has asked so often; False where it had ended before.

    By what it has asked, and not by the clock alone: so each gets somewhere, however busy the machine is.
    """
    child = os.fork()
    if child == 0:
        status = 1
        try:
            _work(work, scans)
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    end = None if asked else time.monotonic() + seconds
    while end is None or time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            if status:
                raise RuntimeError("the run failed by itself")
            return False
        if end is None and len(_asked_since(work)) >= asked:
            end = time.monotonic() + seconds
        time.sleep(0.002)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True
