"""What networks learn letters from is listed, and is nothing that is fitted or reported on."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from matcher.core.errors import BadTable
from matcher.lab.synthesis import taught_designs
from matcher.lab.synthesis.taught_designs import of_debian, of_npm, packages, taught_on
from matcher.lab.synthesis.type_cases import CASES, LETTERINGS, Typeface


def family(name: str) -> str:
    """As a file or a package has it, without its cut: 'texgyre', 'goudybookletter'."""
    first = re.split(r"[-_.]", name)[0] if not name.startswith("@") else name.split("/")[1].split("@")[0]
    return re.sub(r"[^a-z]", "", first.lower().replace("adfstd", "").replace("adfpro", ""))


def test_no_family_is_taught_and_reported_on() -> None:
    reported = {family(file) for files in CASES["report"].values() for file in files}
    taught = {family(file) for file in of_debian()} | {family(package) for _, package, _ in of_npm().values()}
    assert not taught & reported
    fitted = {file for files in CASES["fit"].values() for file in files}
    assert not fitted & set(of_debian())


def test_there_are_many_designs_of_each_kind_and_each_is_told_by_its_hash() -> None:
    listed = [*of_debian().values(), *of_npm().values()]
    assert len(listed) > 300
    assert all(sum(one[0] == kind for one in listed) > 50 for kind in LETTERINGS)
    assert all(re.fullmatch("[0-9a-f]{64}", digest) for _, _, digest in of_npm().values())
    assert all(re.fullmatch(r"@fontsource/[a-z0-9-]+@\d+\.\d+\.\d+", package) for _, package, _ in of_npm().values())


def test_what_a_folder_lacks_is_named(tmp_path: Path) -> None:
    everything = packages(tmp_path, "npm")
    of_one = [file for file, told in of_npm().items() if told[1] == everything[0]]
    for file in of_one:
        (tmp_path / file).touch()
    assert set(everything) - set(packages(tmp_path, "npm")) == {everything[0]}
    assert packages(tmp_path, "debian")
    with pytest.raises(BadTable, match="are missing"):
        taught_on(tmp_path)


def test_another_file_under_a_listed_name_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for file in (*of_debian(), *of_npm()):
        (tmp_path / file).write_bytes(b"of another version")
    monkeypatch.setattr(taught_designs, "typefaces", lambda folder, role: (Typeface("", "book"),))
    with pytest.raises(BadTable, match=r"another file than designs\.json lists"):
        taught_on(tmp_path)
