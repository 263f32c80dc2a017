"""Stored files of a catalogue damaged one at a time: photos answered before and after, and what `check` says.

A damage is noticed if the answers stay what they were, or an error is told, or `check` tells of it. What must not be is
another answer while `check` finds nothing. Kinds: one byte flipped, 512 bytes zeroed, cut off, emptied, exchanged for
another file of its kind, taken away; and cells of the database, which bit rot and careless tools reach too.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.core.answer_json import to_json
from matcher.core.errors import PlatekinError
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import Worker

Damage = Callable[[bytes, random.Random], bytes]


def flipped(data: bytes, rng: random.Random) -> bytes:
    """One byte is another."""
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ rng.randrange(1, 256)]) + data[at + 1 :]


def zeroed(data: bytes, rng: random.Random) -> bytes:
    """512 bytes are zeros, as a lost sector reads."""
    at = rng.randrange(max(1, len(data) - 512))
    return data[:at] + bytes(min(512, len(data) - at)) + data[at + 512 :]


def cut_off(data: bytes, rng: random.Random) -> bytes:
    """The end is missing."""
    return data[: rng.randrange(len(data))]


def emptied(data: bytes, rng: random.Random) -> bytes:
    """Nothing is left."""
    return b""


DAMAGES: dict[str, Damage] = {one.__name__: one for one in (flipped, zeroed, cut_off, emptied)}


@dataclass(frozen=True)
class Outcome:
    """What a damage led to. answers: 'same', 'other' or 'error'; noticed: by `check`."""

    what: str
    how: str
    answers: str
    noticed: bool

    @property
    def silent(self) -> bool:
        """Another answer, and all is said to be well."""
        return self.answers == "other" and not self.noticed


def run(
    folder: Path, photos: Sequence[Path], damages: int, seed: int, tell: Callable[[Outcome], None] = lambda _: None
) -> list[Outcome]:
    """So many damages, each alone on a copy of a catalogue; files of every kind in turn. tell: of each, when seen."""
    rng = random.Random(seed)
    before = answers(folder, photos)
    groups = _groups(folder)
    found = []
    for number in range(damages):
        group = sorted(groups)[number % len(groups)]
        with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
            copy = Path(shutil.copytree(folder, Path(scratch) / "copy"))
            what, how = _damage_cell(copy, rng) if group == "cells" else _damage_file(copy, groups[group], rng)
            noticed = _noticed(copy)  # before anything is asked: what can be made anew is made anew by asking
            after = answers(copy, photos)
        found.append(Outcome(what, how, _compared(before, after), noticed))
        tell(found[-1])
    return found


def answers(folder: Path, photos: Sequence[Path]) -> list[dict[str, Any]]:
    """What each photo is answered, but for where it lies; an error is an answer too."""
    try:
        worker = Worker(folder, Settings())
    except PlatekinError as error:
        return [{"error": error.code} for _ in photos]
    except Exception as error:  # told as what it is: no error of ours
        return [{"error": f"unexpected {type(error).__name__}"} for _ in photos]
    told = []
    with worker.references:
        for photo in photos:
            try:
                answer = to_json(worker.run(Job(photo.name, photo)).answer)
            except PlatekinError as error:
                answer = {"error": error.code, "cards": []}
            except Exception as error:
                answer = {"error": f"unexpected {type(error).__name__}", "cards": []}
            told.append(answer)
    return told


def summary(found: Sequence[Outcome]) -> str:
    """One line for the table."""
    told = Counter(one.answers for one in found)
    silent = [f"{one.what} {one.how}" for one in found if one.silent]
    noticed = sum(one.noticed for one in found)
    return (
        f"{len(found)} damages: answers as before {told['same']}, a plain error {told['error']}, "
        f"others {told['other']}; told by check {noticed}; other answers unnoticed {len(silent)}"
        + (f" {silent}" if silent else "")
    )


def _groups(folder: Path) -> dict[str, list[str]]:
    """Stored files by kind, relative to the catalogue; the database's cells are a kind of their own."""
    groups: dict[str, list[str]] = {"cells": []}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        name = path.relative_to(folder)
        if path.suffix != ".lock":
            groups.setdefault(name.parts[0], []).append(name.as_posix())
    return groups


def _damage_file(copy: Path, names: Sequence[str], rng: random.Random) -> tuple[str, str]:
    name = rng.choice(names)
    path, how = copy / name, rng.choice([*DAMAGES, "exchanged", "taken away"])
    others = [other for other in names if other != name and Path(other).suffix == path.suffix]
    if how == "exchanged" and others:
        path.write_bytes((copy / rng.choice(others)).read_bytes())
    elif how == "taken away":
        path.unlink()
    elif path.stat().st_size:
        how = how if how in DAMAGES else "flipped"
        path.write_bytes(DAMAGES[how](path.read_bytes(), rng))
    return name, how


def _damage_cell(copy: Path, rng: random.Random) -> tuple[str, str]:
    """One cell of the database holds something else."""
    with closing(sqlite3.connect(copy / "catalogue.sqlite")) as connection, connection:
        connection.execute("PRAGMA foreign_keys=OFF")
        tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        filled = [t for t in sorted(tables) if connection.execute(f'SELECT count(*) FROM "{t}"').fetchone()[0]]
        table = rng.choice(filled)
        column = rng.choice([row[1] for row in connection.execute(f'PRAGMA table_info("{table}")')])
        rows = [row for (row,) in connection.execute(f'SELECT rowid FROM "{table}"')]
        row = rng.choice(rows)
        (held,) = connection.execute(f'SELECT "{column}" FROM "{table}" WHERE rowid = ?', (row,)).fetchone()
        connection.execute(f'UPDATE OR IGNORE "{table}" SET "{column}" = ? WHERE rowid = ?', (_other(held, rng), row))
    return f"{table}.{column}", "another value"


def _other(held: Any, rng: random.Random) -> Any:
    if isinstance(held, bytes) and held:
        return flipped(held, rng)
    if isinstance(held, str) and held:
        at = rng.randrange(len(held))
        return held[:at] + chr(33 + (ord(held[at]) - 32 + rng.randrange(1, 90)) % 90) + held[at + 1 :]
    if isinstance(held, (int, float)):
        return held + rng.choice([-1, 1, 7])
    return "x"


def _noticed(copy: Path) -> bool:
    try:
        with Catalogue.open(copy) as catalogue:
            return bool(check(catalogue))
    except Exception:  # it could not even be looked at: that is told in its own way
        return True


def _compared(before: Sequence[dict[str, Any]], after: Sequence[dict[str, Any]]) -> str:
    errors = [one.get("error") for one in after]
    told = [json.dumps({**one, "photo": "", "versions": {}}, sort_keys=True) for one in before]
    now = [json.dumps({**one, "photo": "", "versions": {}}, sort_keys=True) for one in after]
    others = [error is None for one, two, error in zip(told, now, errors, strict=True) if one != two]
    return "same" if not others else "other" if any(others) else "error"


def _print(one: Outcome) -> None:
    print(f"{one.answers:6} {'told' if one.noticed else '-':5} {one.how:14} {one.what}", flush=True)


def main() -> None:
    """Damage a catalogue so many times; exit 1 where an answer changed unnoticed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path, nargs="+", help="photos that are answered before and after")
    parser.add_argument("--catalogue", type=Path, required=True, help="a catalogue; copies of it are damaged")
    parser.add_argument("--damages", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    found = run(chosen.catalogue, chosen.photos, chosen.damages, chosen.seed, _print)
    print(summary(found))
    raise SystemExit(any(one.silent for one in found))


if __name__ == "__main__":
    main()
