"""Fetch the typefaces that a folder lacks: Debian's packages are unpacked there, npm's are laid beside them."""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from matcher.lab.synthesis.taught_designs import MODULES, packages
from matcher.lab.synthesis.type_cases import lacking


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    debian, npm = sorted({*packages(folder, "debian"), *lacking(folder)}), packages(folder, "npm")
    with TemporaryDirectory() as scratch:
        Path(scratch).chmod(0o755)  # apt downloads as a user of its own
        try:
            unpack_debian(debian, Path(scratch), folder)
            lay_npm(npm, Path(scratch), folder)
        except subprocess.CalledProcessError as error:
            told = f"{error.cmd[0]} could not fetch all of them: look at what it said, then run this again"
            sys.exit(f"{told}; what it fetched lies in {folder}")
    print(f"typefaces lie in {folder}")


def unpack_debian(wanted: Sequence[str], scratch: Path, folder: Path) -> None:
    """Raises CalledProcessError where a package cannot be had."""
    if not wanted:
        return
    ask = ["apt-get", "download", "-qq", *wanted]
    if subprocess.run(ask, cwd=scratch, stderr=subprocess.DEVNULL, check=False).returncode:
        subprocess.run(["apt-get", "update", "-qq"], check=True)
        subprocess.run(ask, cwd=scratch, check=True)
    for package in sorted(scratch.glob("*.deb")):
        subprocess.run(["dpkg-deb", "-x", str(package), str(folder)], check=True)


def lay_npm(wanted: Sequence[str], scratch: Path, folder: Path) -> None:
    """Raises CalledProcessError where a package cannot be had. Nothing of a package is run."""
    if not wanted:
        return
    ask = ["npm", "install", "--prefix", str(scratch), "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
    subprocess.run([*ask, *wanted], check=True)
    shutil.copytree(scratch / MODULES, folder / MODULES, dirs_exist_ok=True)


if __name__ == "__main__":
    main()
