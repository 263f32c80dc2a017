"""The map at the head of `matcher.catalogue`: it names every module, each in its room, and none that is not there."""

from __future__ import annotations

import re
from pathlib import Path

import matcher.catalogue

PACKAGE = Path(matcher.catalogue.__file__).parent


def test_the_map_is_true() -> None:
    modules = {
        path.relative_to(PACKAGE).with_suffix("").as_posix()
        for path in PACKAGE.rglob("*.py")
        if path.name != "__init__.py" and "migrations" not in path.parts
    }
    rooms, named, room = set(), set(), ""
    for line in str(matcher.catalogue.__doc__).splitlines()[2:]:
        if heading := re.match(r"(\w+)/ ", line):
            room = f"{heading[1]}/"
            rooms.add(room)
        elif line:
            room = room if line.startswith(" ") else ""
            inside = {name for name in re.findall(r"\w+", line) if f"{room}{name}" in modules}
            assert re.match(r"\w+", line.strip())[0] in inside, line  # type: ignore[index]
            named |= {f"{room}{name}" for name in inside}
    assert named == modules
    assert rooms == {f"{path.name}/" for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
