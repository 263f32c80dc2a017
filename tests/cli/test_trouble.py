"""Ctrl-C at random moments, full disks and impossible paths: a sentence, an exit code, and never a traceback.

A few of each; `scripts/measure_stops` does the same many times over.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.lab.benchmarks.stops import DONE, ENDED, faults, full_disk, how_it_ended, onto, run, stopped
from tests.conftest import Platekin


def test_ctrl_c_at_random_moments(stock: Path, tmp_path: Path) -> None:
    """Exit code 130 for a Ctrl-C: as shells have it, 128 and the signal's number."""
    commands = (
        ["identify", stock / "scan0.png", stock / "scan0.png", "-c", stock / "catalogue"],
        ["enrol", stock / "RECORDS.csv", "-c", tmp_path / "new", "--no-doubt"],
    )
    for seed, words in enumerate(commands):
        ended = stopped(lambda _, words=words: words, times=4, seed=seed, longest=4.0)
        assert faults(ended) == []
        assert any(one.code in ENDED for one in ended)
    if (tmp_path / "new").is_dir():
        with Catalogue.open(tmp_path / "new") as catalogue:
            assert check(catalogue) == ()


def test_ctrl_c_before_anything_is_loaded_has_nothing_to_tidy() -> None:
    ended = [run(["--version"], moment) for moment in (0.01, 0.05, 0.1)]
    assert faults(ended) == []
    assert all(one.after is None or one.told == "stopped; what was stored until now is kept\n" for one in ended)


def test_a_ctrl_c_after_the_last_word_is_no_fault_and_one_before_it_is() -> None:
    """Python no longer answers signals once it ends: the command's own exit code stands then."""
    assert faults([how_it_ended(1, f"no card is seen{DONE}", 1.69)]) == []
    assert len(faults([how_it_ended(1, "no card is seen", 1.69)])) == 1
    assert len(faults([how_it_ended(1, f"Traceback{DONE}", 1.69)])) == 1


def test_a_ctrl_c_that_met_a_finalizer_comes_again(platekin: Platekin, monkeypatch: pytest.MonkeyPatch) -> None:
    class Tidies:
        def __del__(self) -> None:
            signal.raise_signal(signal.SIGINT)

    def interrupted(**_: object) -> None:
        Tidies()
        time.sleep(5)

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    monkeypatch.setattr("matcher.cli.commands.app", interrupted)
    try:
        assert platekin("records", "list") == (130, "stopped; what was stored until now is kept\n")
    finally:
        signal.signal(signal.SIGINT, before)


def test_what_is_told_on_a_full_disk_ends_with_a_sentence(stock: Path) -> None:
    """/dev/full: a device that has no room, whatever is written (Linux, full(4))."""
    command = [sys.executable, "-m", "matcher", "records", "list", "-c", str(stock / "catalogue")]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, "what to do: free some space" in done.stderr) == (1, True), done.stderr
    assert "Traceback" not in done.stderr


def test_a_library_that_makes_another_error_of_ctrl_c(platekin: Platekin, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(**_: object) -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise ImportError("initialization failed") from None

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    monkeypatch.setattr("matcher.cli.commands.app", interrupted)
    try:
        assert platekin("records", "list") == (130, "stopped; what was stored until now is kept\n")
    finally:
        signal.signal(signal.SIGINT, before)


DISK = (
    "export as a folder", "export as a zip", "export as csv", "export as jsonl", "backup", "decisions export",
    "scarcity --plot",
)  # fmt: skip


def test_a_full_disk_is_told_and_nothing_is_lost(stock: Path, platekin: Platekin) -> None:
    mine = stock / "catalogue"
    with full_disk() as disk:
        if disk is None:
            pytest.skip("mounting is not permitted here")
        commands = onto(disk, mine, stock / "scan0.png", stock / "RECORDS.csv", "L00001")
        for name in DISK:
            ended, told = platekin(*commands[name])
            assert (ended, "the disk is full" in told) == (1, True), (name, told)
            assert "free some space" in told
            assert ".part" not in told, (name, told)  # nobody has asked for a file of that name
        assert [path.name for path in disk.iterdir()] == ["filler"]
    with Catalogue.open(mine) as catalogue:
        assert check(catalogue) == ()


@pytest.mark.parametrize(
    "words",
    [
        ("export", "/proc/x.csv"),
        ("export", "/etc/hostname/x.csv"),
        ("export", "/proc/x"),
        ("decisions", "export", "/proc/log.jsonl"),
        ("scarcity", "--plot", "/proc/x.svg"),
        ("backup", "/proc/copy"),
    ],
)
def test_a_place_that_cannot_be_written_is_no_damage(stock: Path, platekin: Platekin, words: tuple[str, ...]) -> None:
    ended, told = platekin(*words, "-c", stock / "catalogue")
    assert ended in (1, 2)
    assert "damaged" not in told
    assert "what to do: name another" in told, told


def test_a_folder_that_is_not_there_yet_is_made(stock: Path, tmp_path: Path, platekin: Platekin) -> None:
    ended, told = platekin("decisions", "export", tmp_path / "new" / "log.jsonl", "-c", stock / "catalogue")
    assert (ended, (tmp_path / "new" / "log.jsonl").is_file()) == (0, True), told
