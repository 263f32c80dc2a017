"""The documents, and what they say that can be compared with the code."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
NAMES = ("README.md", "DEVELOPERS.md", "REFERENCE.md", "matcher/lab/RESULTS.md")


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(text: str) -> Iterator[str]:
    """What is set off by four spaces, without them."""
    for block in re.findall(r"(?:^ {4}.*\n|^\n(?= {4}))+", text, re.M):
        if block.strip():
            yield re.sub(r"^ {4}", "", block, flags=re.M).strip("\n") + "\n"


def block_with(text: str, start: str) -> str:
    """The one block that begins so."""
    (found,) = (block for block in blocks(text) if block.startswith(start))
    return found


def command_lines(text: str) -> Iterator[list[str]]:
    """Every `platekin ...` that stands in a block, as words, without `$ ` before it and `# ...` after it."""
    for block in blocks(text):
        for line in block.splitlines():
            if line.removeprefix("$ ").startswith("platekin "):
                yield shlex.split(line.removeprefix("$ "), comments=True)[1:]


def script_lines(text: str) -> Iterator[list[str]]:
    """Every `scripts/...` that stands in a block, as words."""
    for block in blocks(text):
        for line in block.splitlines():
            if line.startswith("scripts/"):
                yield shlex.split(line.removeprefix("scripts/"), comments=True)


def command_mentions(text: str) -> Iterator[list[str]]:
    """Every `platekin ...` in the running text, as words."""
    for mention in re.findall(r"`platekin ([^`]+)`", text):
        yield shlex.split(" ".join(mention.split()))


def section(text: str, heading: str) -> str:
    """What stands under a heading of the second level."""
    return text.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]


def tables(text: str) -> Iterator[list[list[str]]]:
    """Cells of every table, without its heading."""
    for block in re.findall(r"(?:^\|.*\n)+", text, re.M):
        lines = [[cell.strip() for cell in line.strip("|\n").split(" | ")] for line in block.splitlines()]
        yield lines[2:]


def numbers(text: str) -> list[str]:
    return re.findall(r"\d+(?:[.,]\d+)*", text)
