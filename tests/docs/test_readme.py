"""The README does what it says: its commands run in the folder that it speaks of, its Python as a doctest."""

from __future__ import annotations

import doctest
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from matcher.cli import app
from tests.docs.documents import ROOT, block_with, command_lines, numbers, section, tables, text_of

README = text_of("README.md")
RESULTS = text_of("matcher/lab/RESULTS.md")
NOT_RUN = ("serve",)
"""Goes on until it is stopped: only looked at."""


def order(lines: list[list[str]]) -> list[list[str]]:
    """As they are read, but that the catalogue is made first: the README begins with an answer."""
    return sorted(lines, key=lambda words: words[:2] != ["enrol", "cards.csv"])


def expanded(words: list[str]) -> Iterator[str]:
    """As a shell would hand them over."""
    for word in words:
        yield from sorted(map(str, Path().glob(word))) if "*" in word else [word]


def run(words: list[str]) -> str:
    done = CliRunner().invoke(app, list(expanded(words)))
    assert done.exit_code == 0, f"platekin {' '.join(words)}: {done.output} {done.exception!r}"
    return done.output


def parsed(words: list[str]) -> None:
    """Raises what is wrong with a command line, without running it."""
    command: Any = get_command(app)
    context = command.make_context("platekin", [words[0], *words[1:]], resilient_parsing=False)
    name, found, rest = command.resolve_command(context, list(words))
    found.make_context(name, list(rest), parent=context)


def test_every_command_runs(readers: Path) -> None:
    lines = order(list(command_lines(README)))
    assert len(lines) >= 25
    answers = {}
    for words in lines:
        if words[0] in NOT_RUN:
            parsed(words)
        else:
            answers[" ".join(words)] = run(words)
    for made in ("evidence", "lot.pdf", "lot.xlsx", "my-cards-2026", "cards-2026.csv", "copy-of-my-cards", "elsewhere"):
        assert (readers / made).exists(), made
    shown = block_with(README, "$ platekin identify")
    assert like(shown.partition("\n")[2], answers["identify photo.jpg --catalogue my-cards"])
    assert like(block_with(README, "CONFLICTS"), answers["listing --text listing.txt photo.jpg"])


def like(shown: str, given: str) -> bool:
    """Whether an answer is what the document shows: `...` stands for anything, and numbers may differ a little."""
    pattern = re.escape(re.sub(r"\d+(\.\d+)?", "0", " ".join(shown.split()))).replace(re.escape("..."), ".*")
    return re.search(pattern, re.sub(r"\d+(\.\d+)?", "0", " ".join(given.split()))) is not None


def test_answers_are_compared() -> None:
    assert like("known  98 %\n ... end", "x known   100 %\n much\nend y")
    assert not like("known", "unreadable")
    assert not like("a ... b", "b a")


def test_a_wrong_command_line_is_found() -> None:
    with pytest.raises(Exception, match="No such option"):
        parsed(["serve", "-c", "my-cards", "--prot", "1"])


@pytest.mark.usefixtures("enrolled")
def test_the_python_runs() -> None:
    done = doctest.testfile(str(ROOT / "README.md"), module_relative=False, optionflags=doctest.ELLIPSIS)
    assert done.attempted >= 7
    assert done.failed == 0


def test_every_figure_is_in_the_results() -> None:
    """A figure that the README quotes stands in RESULTS.md, in a row that has all its numbers."""
    rows = [" ".join(row) for table in tables(RESULTS) for row in table]
    for what, measured, _ in next(tables(section(README, "How well it works"))):
        assert any(set(numbers(measured)) <= set(numbers(row)) for row in rows), what


def test_it_is_short() -> None:
    assert len(README.split()) < 2_100
