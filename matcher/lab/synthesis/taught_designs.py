"""Designs that networks learn letters from, and no more: a folder where `scripts/fetch_type` left them in, typefaces
out. They are listed in `designs.json`: none is of a family that is reported on.
"""

from __future__ import annotations

import json
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from matcher.core.errors import BadTable
from matcher.lab.synthesis.type_cases import LETTERINGS, Lettering, Typeface, dealt, typefaces

LISTED = Path(__file__).with_name("designs.json")

MODULES = "node_modules"
"""Where npm lays packages."""


@cache
def _listed() -> dict[str, Any]:
    told: dict[str, Any] = json.loads(LISTED.read_text(encoding="utf-8"))
    return told


def of_debian() -> dict[str, tuple[Lettering, str]]:
    """File -> kind and package."""
    return {file: (kind, package) for kind in LETTERINGS for file, package in _listed()["debian"][kind].items()}


def of_npm() -> dict[str, tuple[Lettering, str, str]]:
    """File -> kind, package with its version, and SHA-256."""
    return {
        file: (kind, package, digest)
        for kind in LETTERINGS
        for package, files in _listed()["npm"][kind].items()
        for file, digest in files.items()
    }


def packages(folder: Path, source: str) -> list[str]:
    """The packages of "debian" or "npm" that have a design which the folder does not hold yet."""
    there = {path.name for path in folder.rglob("*")} if folder.is_dir() else set()
    listed = of_debian() if source == "debian" else of_npm()
    return sorted({told[1] for file, told in listed.items() if file not in there})


def taught_on(folder: Path) -> tuple[Typeface, ...]:
    """What networks learn from: half of the designs dealt to fit, and those listed. Raises BadTable bad_evaluation for
    one that is missing, or is another file than is listed."""
    there = {path.name: path for path in folder.rglob("*") if path.suffix.lower() in (".ttf", ".otf", ".woff")}
    kinds = {file: told[0] for file, told in (of_debian() | of_npm()).items()}
    missing = [file for file in kinds if file not in there]
    if missing:
        why = f"{folder}: {len(missing)} of {len(kinds)} designs are missing, {missing[0]} among them"
        raise BadTable("bad_evaluation", why, "fetch them: scripts/fetch_type FOLDER")
    others = [file for file, told in of_npm().items() if sha256(there[file].read_bytes()).hexdigest() != told[2]]
    if others:
        why = f"{there[others[0]]} is another file than designs.json lists"
        raise BadTable("bad_evaluation", why, f"take {folder / MODULES} away and fetch it again: scripts/fetch_type")
    return (*dealt(typefaces(folder, "fit"), 1), *(Typeface(str(there[file]), kind) for file, kind in kinds.items()))
