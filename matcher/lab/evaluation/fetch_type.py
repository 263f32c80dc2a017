"""Print the Debian packages whose typefaces a folder does not hold yet; `scripts/fetch_type` unpacks them there."""

from __future__ import annotations

import argparse
from pathlib import Path

from matcher.lab.synthesis.type_cases import lacking


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    for package in lacking(parser.parse_args().folder):
        print(package)


if __name__ == "__main__":
    main()
