"""What each picture may serve for: lists by SHA-256, so that nothing is reported on what anything learnt from.

    train    networks learn from it                      scripts/train_*
    fit      coefficients are fitted on it               scripts/calibrate --train, fit_reading --fit, fit_detection
    scale    answers' confidence is brought to scale     scripts/evaluate --role scale, calibrate --answers
    report   figures are reported on it                  scripts/evaluate, calibrate --held-out, fit_reading --report

A picture has one role; so has everything taken in one room, or of one sitter. The lists lie in `manifests/`, and
`scripts/make_manifest` makes one of a folder. `shipped.json` beside them says what the shipped weights have seen, and
of which that cannot be listed any more.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from itertools import cycle
from pathlib import Path
from typing import Literal, get_args

from matcher.core.errors import BadTable

Role = Literal["train", "fit", "scale", "report"]

ROLES: tuple[Role, ...] = get_args(Role)
FOLDER = Path(__file__).with_name("manifests")
SHIPPED = FOLDER / "shipped.json"
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp")


@dataclass(frozen=True)
class Picture:
    """One picture of a manifest; sitter, room, pose: names within it, "" where not known."""

    file: str
    sha256: str
    role: Role
    sitter: str = ""
    room: str = ""
    pose: str = ""

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise ValueError(f"{self.file}: role must be one of {', '.join(ROLES)}, not {self.role!r}")
        if not re.fullmatch("[0-9a-f]{64}", self.sha256):
            raise ValueError(f"{self.file}: {self.sha256!r} is no SHA-256")


@dataclass(frozen=True)
class Manifest:
    """Pictures of one source. about: how they were dealt, and what nobody knows of them."""

    name: str
    source: str
    licence: str
    about: str
    pictures: tuple[Picture, ...]

    @classmethod
    def load(cls, path: Path) -> Manifest:
        given = json.loads(path.read_text("utf-8"))
        pictures = tuple(Picture(**one) for one in given.pop("pictures"))
        return cls(name=path.stem, pictures=pictures, **given)

    def save(self, folder: Path) -> Path:
        """Write FOLDER/<name>.json, a line a picture, and return its path."""
        head = {"source": self.source, "licence": self.licence, "about": self.about}
        lines = [json.dumps({k: v for k, v in asdict(one).items() if v}, ensure_ascii=False) for one in self.pictures]
        start = json.dumps(head, ensure_ascii=False, indent=1).removesuffix("\n}")
        path = folder / f"{self.name}.json"
        path.write_text(start + ',\n "pictures": [\n  ' + ",\n  ".join(lines) + "\n ]\n}\n", encoding="utf-8")
        return path


@dataclass(frozen=True)
class Taken:
    """A picture that a command uses, and where a manifest lists it, what that says of it."""

    path: Path
    manifest: str = ""
    listed: Picture | None = None


@cache
def committed() -> tuple[Manifest, ...]:
    """The manifests of this repository."""
    return tuple(Manifest.load(path) for path in sorted(FOLDER.glob("*.json")) if path != SHIPPED)


def crossings(manifests: Iterable[Manifest]) -> list[str]:
    """One sentence for every picture, room and sitter that has more than one role; none where all is well."""
    roles: dict[tuple[str, str], set[Role]] = defaultdict(set)
    for manifest in manifests:
        for one in manifest.pictures:
            roles["picture", one.sha256].add(one.role)
            for kind, name in (("room", one.room), ("sitter", one.sitter)):
                if name:
                    roles[kind, f"{manifest.name}/{name}"].add(one.role)
    return [f"{kind} {name}: {' and '.join(sorted(has))}" for (kind, name), has in roles.items() if len(has) > 1]


def pictures_of(folder: Path) -> list[Path]:
    """The pictures of a folder by name. Raises BadTable bad_evaluation where there are none."""
    found = sorted(path for path in folder.glob("*") if path.suffix.lower() in SUFFIXES) if folder.is_dir() else []
    if not found:
        why = "no pictures in it" if folder.is_dir() else "there is no such folder"
        raise BadTable("bad_evaluation", f"{folder}: {why}", "name a folder of JPEG, PNG, TIFF or WebP files")
    return found


def take(role: Role, folders: Iterable[Path], manifests: Sequence[Path] = ()) -> list[Taken]:
    """The pictures of these folders that may serve for a role.

    manifests: of the folders only pictures that these list under the role are taken. Without them all are, and the
    committed manifests are asked. Raises BadTable bad_evaluation where one of those gives a picture another role, or
    where none is left.
    """
    return take_paths(role, [path for folder in folders for path in pictures_of(folder)], manifests)


def take_paths(role: Role, paths: Iterable[Path], manifests: Sequence[Path] = ()) -> list[Taken]:
    """The same of pictures that are chosen already."""
    listed = by_hash([Manifest.load(path) for path in manifests] if manifests else committed())
    found = [Taken(path, *listed.get(sha256_of(path), ("", None))) for path in paths]
    if manifests:
        found = [one for one in found if one.listed and one.listed.role == role]
    for one in found:
        if one.listed and one.listed.role != role:
            why = f"{one.path}: it is there to {one.listed.role}, says the manifest {one.manifest}, not to {role}"
            raise BadTable("bad_evaluation", why, "leave it out, or say with --manifest which pictures to take")
    if not found:
        raise BadTable("bad_evaluation", f"none of these pictures is there to {role}", "see matcher/lab/manifests")
    return found


def by_hash(manifests: Iterable[Manifest]) -> dict[str, tuple[str, Picture]]:
    """Name of the manifest and what it says, by SHA-256."""
    return {one.sha256: (manifest.name, one) for manifest in manifests for one in manifest.pictures}


def sha256_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def stored(taken: Iterable[Taken]) -> dict[str, int]:
    """How many pictures of each manifest were taken, for the provenance of what was made of them."""
    return dict(Counter(one.manifest or "in no manifest" for one in taken))


def add_option(parser: argparse.ArgumentParser) -> None:
    """The option `--manifest` of the commands that use pictures."""
    what = "take of the folders only pictures that these list for the purpose (without it the committed ones are asked)"
    parser.add_argument("--manifest", type=Path, nargs="+", default=[], metavar="FILE", help=what)


def make(folder: Path, roles: Sequence[Role], *, pattern: str = "", room: str = "", **about: str) -> Manifest:
    """A manifest of a folder: roles are dealt in turn to its sitters, or to its pictures where none is known.

    pattern: of file names, with the groups `sitter`, `pose` and `room` as far as they tell them. room: where all were
    taken; then there is one role. about: name, source, licence and about of the `Manifest`.
    """
    paths = pictures_of(folder)
    named = [_named(path, pattern, room) for path in paths]
    units = [one.get("room") or one.get("sitter") or path.name for path, one in zip(paths, named, strict=True)]
    dealt: Mapping[str, Role] = dict(zip(dict.fromkeys(units), cycle(roles), strict=False))
    pictures = (
        Picture(path.name, sha256_of(path), dealt[unit], **one)
        for path, unit, one in zip(paths, units, named, strict=True)
    )
    return Manifest(pictures=tuple(pictures), **about)


def _named(path: Path, pattern: str, room: str) -> dict[str, str]:
    found = re.search(pattern, path.stem) if pattern else None
    groups = {name: value for name, value in found.groupdict().items() if value} if found else {}
    return {**({"room": room} if room else {}), **groups}


def _told(manifest: Manifest) -> Iterator[str]:
    for role in ROLES:
        if count := sum(one.role == role for one in manifest.pictures):
            yield f"{role}: {count}"


def main() -> None:
    parser = argparse.ArgumentParser(description=make.__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--roles", nargs="+", choices=ROLES, required=True, help="dealt in turn")
    parser.add_argument("--pattern", default="", help=r"of file names, such as '^(?P<sitter>p\d+)_(?P<pose>[a-z]+)'")
    parser.add_argument("--room", default="", help="where all of them were taken")
    parser.add_argument("--output", type=Path, default=FOLDER)
    for name in ("name", "source", "licence", "about"):
        parser.add_argument(f"--{name}", required=True)
    chosen = vars(parser.parse_args())
    output: Path = chosen.pop("output")
    made = make(chosen.pop("folder"), chosen.pop("roles"), **chosen)
    if wrong := crossings([made, *(one for one in committed() if one.name != made.name)]):
        parser.error("; ".join(wrong))
    print(made.save(output), *_told(made))


if __name__ == "__main__":
    main()
