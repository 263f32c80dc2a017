"""What the documents name exists: files, folders, modules, scripts, commands, variables; and every script is named."""

from __future__ import annotations

import re
from argparse import ArgumentParser
from contextlib import suppress
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.docs.documents import NAMES, ROOT, command_lines, command_mentions, script_lines, tables, text_of
from tests.docs.reference import commands

TOP = ("matcher", "api", "tests", "scripts", "reference_demo", ".github", ".ci")
SUFFIXES = ("py", "json", "md", "toml", "jpg", "svg", "onnx", "csv")
MADE = re.compile(
    r"^(demo-output|more|scans|box|my-cards|sizes|DIR)\b|^(a|b|photo|find|listings?|lot|cards|sizes|cabinet|theirs|RECORDS|12_front|12_back)\.|^\."
)
"""What a reader's own folder holds, or a command makes there."""

DOCUMENTS = {name: text_of(name) for name in NAMES}
FILES = [path for top in TOP for path in (ROOT / top).rglob("*")]


def paths_in(text: str) -> set[str]:
    """Paths from one of the top folders, without the glob or the punctuation after them."""
    found = re.findall(rf"(?<![\w/.-])((?:{'|'.join(map(re.escape, TOP))})/[\w./*-]*)", text)
    return {path.rstrip(".") for path in found}


def file_names_in(text: str) -> set[str]:
    """Names of files that stand alone, in the way of code."""
    found = re.findall(rf"`([\w.-]+\.(?:{'|'.join(SUFFIXES)}))`", text)
    return {name for name in found if not MADE.match(name)}


def modules_in(text: str) -> set[str]:
    return set(re.findall(r"(?<![\w/.-])((?:matcher|api|tests|reference_demo)(?:\.[a-z_]\w*)+)(?!\w|\.\w)", text))


def linked_in(text: str) -> set[str]:
    return {target for target in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in target}


def is_module(name: str) -> bool:
    """Whether it is a module, or something that a module holds."""
    parts = name.split(".")
    for end in range(len(parts), 0, -1):
        try:
            spec = find_spec(".".join(parts[:end]))
        except ModuleNotFoundError:
            continue
        if spec is not None:
            source = Path(spec.origin or "").read_text(encoding="utf-8")
            return all(re.search(rf"\b{re.escape(part)}\b", source) for part in parts[end:]) and len(parts) - end < 2
    return False


@pytest.mark.parametrize("name", NAMES)
def test_files_and_folders_exist(name: str) -> None:
    text = DOCUMENTS[name]
    assert [path for path in paths_in(text) if not list(ROOT.glob(path))] == []
    assert [path for path in linked_in(text) if not ((ROOT / name).parent / path).exists()] == []
    there = {path.name for path in FILES} | {path.name for path in ROOT.iterdir()}
    assert file_names_in(text) <= there, file_names_in(text) - there


@pytest.mark.parametrize("name", NAMES)
def test_modules_exist(name: str) -> None:
    assert [module for module in modules_in(DOCUMENTS[name]) if not is_module(module)] == []


def test_what_is_not_there_is_found() -> None:
    assert paths_in("see `matcher/core/gone.py`, matcher/lab.") == {"matcher/core/gone.py", "matcher/lab"}
    assert file_names_in("`gone.py` and `a.jpg`") == {"gone.py"}
    assert modules_in("`matcher.core.gone`") == {"matcher.core.gone"}
    assert not is_module("matcher.core.gone")
    assert not is_module("matcher.core.gone.also")
    assert is_module("matcher.core.errors.PlatekinError")


def test_every_script_is_named() -> None:
    scripts = {path.name for path in (ROOT / "scripts").iterdir() if path.is_file() and "." not in path.name}
    assert len(scripts) > 5
    assert [name for name in scripts if f"scripts/{name}`" not in DOCUMENTS["DEVELOPERS.md"]] == []


def parser_of(script: str) -> ArgumentParser | None:
    """The parser of the module that a script runs; None where it runs no module of the lab."""
    module = re.search(r"\bmatcher\.lab\.[\w.]+", (ROOT / "scripts" / script).read_text(encoding="utf-8"))
    if module is None:
        return None
    made: list[ArgumentParser] = []

    def stop(parser: ArgumentParser, *_: object, **__: object) -> None:
        made.append(parser)
        raise Stopped

    with pytest.MonkeyPatch.context() as patched, suppress(Stopped):
        patched.setattr(ArgumentParser, "parse_args", stop)
        import_module(module[0]).main()
    return made[0]


class Stopped(Exception):
    """Raised in place of doing what a script does."""


@pytest.mark.parametrize("name", ["DEVELOPERS.md", "matcher/lab/RESULTS.md"])
def test_script_lines_are_understood(name: str) -> None:
    lines = list(script_lines(DOCUMENTS[name]))
    assert len(lines) > 5
    for script, *words in lines:
        parser = parser_of(script)
        numbered = ["1" if word in ("FIRST", "LAST") else word for word in words]
        if parser is not None:
            parser.parse_args(numbered)


def test_a_wrong_script_line_is_found(capsys: pytest.CaptureFixture[str]) -> None:
    parser = parser_of("evaluate")
    assert parser is not None
    with pytest.raises(SystemExit):
        parser.parse_args(["FOLDER", "--output", "DIR", "--demo"])
    assert "--demo" in capsys.readouterr().err


def test_every_variable_is_named() -> None:
    """What is read from the environment; the service's settings come under their own heading."""
    read = {
        variable
        for path in FILES
        if path.is_file() and path.suffix in ("", ".py", ".sh")
        for variable in re.findall(r"\bPLATEKIN_[A-Z_]*[A-Z]\b", path.read_text(encoding="utf-8", errors="ignore"))
    }
    assert {"PLATEKIN_CATALOGUE", "PLATEKIN_PERSON"} <= read
    everything = "\n".join(DOCUMENTS.values())
    assert [variable for variable in read if variable not in everything] == []


@pytest.mark.parametrize("name", NAMES)
def test_commands_exist(name: str) -> None:
    """Those in the running text may leave arguments out, but must not name what is not there."""
    known = dict(commands())
    for words in [*command_lines(DOCUMENTS[name]), *command_mentions(DOCUMENTS[name])]:
        path = ["platekin"]
        while words and " ".join([*path, words[0]]) in {*known, *groups(known)}:
            path.append(words.pop(0))
        whole = " ".join(path)
        if whole not in known and words and f"{whole} run" in known:  # which is meant where none is named
            whole += " run"
        assert whole in known or whole in groups(known), (name, words)
        flags = {flag for given in known[whole].params for flag in given.opts} if whole in known else set()
        assert {word for word in words if re.match(r"--?[a-z]", word)} <= flags | {
            "--help",
            "--version",
            "--install-completion",
        }, (name, whole)


def groups(known: dict[str, object]) -> set[str]:
    return {words.rsplit(" ", 1)[0] for words in known}


def test_results_begin_with_what_is_drawn() -> None:
    first = DOCUMENTS["matcher/lab/RESULTS.md"].splitlines()[0]
    assert "drawn in code" in first
    assert "no real old card" in first


def test_every_table_of_results_has_its_command() -> None:
    """Each section with figures says by which script they are measured."""
    for part in DOCUMENTS["matcher/lab/RESULTS.md"].split("\n## ")[1:]:
        if any(tables(part)):
            assert re.search(r"^    scripts/\w+|`scripts/demo`", part, re.M), part.splitlines()[0]
