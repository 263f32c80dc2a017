"""Ctrl-C at random moments, full disks and impossible paths: a sentence, an exit code, and never a traceback.

A few of each; `scripts/measure_stops` does the same many times over.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.cli import main
from matcher.lab.benchmarks.stops import full_disk, onto

Platekin = Callable[..., tuple[int, str]]


@pytest.fixture
def platekin(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Platekin:
    """Call the command; gives its exit code, and what it said on stderr."""

    def call(*words: object) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["platekin", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        code = ended.value.code
        return code if isinstance(code, int) else 0, capsys.readouterr().err

    return call


def test_a_library_that_makes_another_error_of_ctrl_c(platekin: Platekin, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted() -> None:
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
