"""REFERENCE.md's tables, rendered from the code: commands, addresses, settings, errors, public Python.

python -m tests.docs.reference      writes them anew between their markers; the tests fail where they are out of date
"""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from typer.main import get_command

import matcher
from api.app import create_app
from api.problems import PROBLEMS
from api.settings import ServiceSettings
from matcher.cli import app
from matcher.core.settings import Settings

ROOT = Path(__file__).parents[2]
FILE = ROOT / "REFERENCE.md"
OFTEN = 5
"""An option that so many commands have, with one meaning, is explained once."""


def commands() -> Iterator[tuple[str, Any]]:
    """Every command by what is typed, subcommands too."""

    def walk(command: Any, words: str) -> Iterator[tuple[str, Any]]:
        if hasattr(command, "commands"):
            for name, sub in command.commands.items():
                yield from walk(sub, f"{words} {name}")
        else:
            yield words, command

    yield from walk(get_command(app), "platekin")


def _is_argument(given: Any) -> bool:
    return bool(given.param_type_name == "argument")


def options_of(command: Any) -> list[Any]:
    return [given for given in command.params if not _is_argument(given)]


def operations() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Method, address and description of everything under /v1."""
    described = create_app(ServiceSettings(catalogue=ROOT)).openapi()
    for address, methods in described["paths"].items():
        for method, operation in methods.items():
            yield method.upper(), address, operation


def settings_rows(of: Any = None, prefix: str = "") -> Iterator[tuple[str, str, str]]:
    """Name, usual value and meaning of each setting of a tree of dataclasses; `Settings` if none is given."""
    of = Settings() if of is None else of
    told = _attribute_docs(type(of))
    for one in fields(of):
        value = getattr(of, one.name)
        if is_dataclass(value):
            yield from settings_rows(value, f"{prefix}{one.name}.")
        else:
            yield prefix + one.name, _shown(value), told.get(one.name, "")


def _attribute_docs(of: type) -> dict[str, str]:
    """What the source says of each field: the text below it (or below the next, for some that belong together), or its
    paragraph `name: ...` in the class's text."""
    (body,) = ast.parse(textwrap.dedent(inspect.getsource(of))).body
    assert isinstance(body, ast.ClassDef)
    told: dict[str, str] = {}
    for name, text in re.findall(r"^ *([a-z_, ]+): +((?:.+\n?)(?: {8,}.+\n?)*)", inspect.getdoc(of) or "", re.M):
        told |= {one.strip(): " ".join(text.split()) for one in name.split(",")}
    together: list[str] = []
    for part in body.body:
        if isinstance(part, ast.AnnAssign):
            together.append(ast.unparse(part.target))
        elif isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant):
            told |= dict.fromkeys(together, " ".join(str(part.value.value).split()))
            together = []
    return told


def _shown(value: Any) -> str:
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else str(value)


def render_commands() -> str:
    every = list(commands())
    often = Counter((_flags(given), _help(given)) for _, command in every for given in options_of(command))
    shared = {key for key, count in often.items() if count >= OFTEN}
    lines = ["Options that many commands share:", ""]
    lines += [f"- {flags}: {told}" for flags, told in sorted(shared)]
    for words, command in every:
        lines += ["", f"**`{' '.join([words, *_arguments(command)])}`** {_sentence(command.help)}", ""]
        lines += [f"- `{_name(given)}`: {_help(given)}" for given in command.params if _is_argument(given)]
        own = [given for given in options_of(command) if (_flags(given), _help(given)) not in shared]
        lines += [f"- {_flags(given)}: {_help(given)}" for given in own]
        also = [
            _flags(given).partition(" (")[0] for given in options_of(command) if (_flags(given), _help(given)) in shared
        ]
        lines += [f"- also {', '.join(also)}"] if also else []
    return "\n".join(lines)


def _arguments(command: Any) -> Iterator[str]:
    for given in command.params:
        if _is_argument(given):
            yield _name(given) if given.required else f"[{_name(given)}]"


def _name(given: Any) -> str:
    return re.sub(r"[][{}]", "", given.metavar or given.name.upper())


def _flags(given: Any) -> str:
    flags = sorted(given.opts, key=len, reverse=True)
    variable = f" (or the variable `{given.envvar}`)" if given.envvar else ""
    return ", ".join(f"`{flag}`" for flag in [*flags, *given.secondary_opts]) + variable


def _help(given: Any) -> str:
    told: str = getattr(given, "help", None) or ""
    usual = given.default
    if isinstance(usual, bool) or usual is None or callable(usual) or not str(usual):
        return _sentence(told)
    return f"{_sentence(told)} Usually {getattr(usual, 'value', usual)}."


def _sentence(text: str | None) -> str:
    return " ".join((text or "").split()).replace("|", "\\|")


def render_addresses() -> str:
    rows = [(f"`{method} {address}`", operation.get("summary", "")) for method, address, operation in operations()]
    return _table(("address", "what it does"), rows)


def render_settings() -> str:
    service = [
        (
            f"`PLATEKIN_{name.upper()}`",
            _shown(given.default) if not given.is_required() else "",
            given.description or "",
        )
        for name, given in ServiceSettings.model_fields.items()
    ]
    rows = [(f"`{name}`", value, told) for name, value, told in settings_rows()]
    heading = ("setting", "usually", "what it says")
    return "\n".join(
        ["Of `matcher.Settings`:", "", _table(heading, rows), "", "Of the service:", "", _table(heading, service)]
    )


def render_errors() -> str:
    rows = [(f"`{code}`", str(kind.status), kind.title, kind.advice) for code, kind in PROBLEMS.items()]
    return _table(("code", "HTTP", "what is wrong", "what to do"), rows)


def render_python() -> str:
    rows = [(f"`{name}`", _first_sentence(getattr(matcher, name))) for name in matcher.__all__]
    return _table(("name", "what it is"), rows)


def _first_sentence(thing: Any) -> str:
    return (inspect.getdoc(thing) or "").split("\n\n")[0].replace("\n", " ")


def _table(heading: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [heading, tuple("---" for _ in heading), *rows]
    return "\n".join(
        "| " + " | ".join(" ".join(cell.split()).replace("|", "\\|") for cell in line) + " |" for line in lines
    )


PARTS: Mapping[str, Callable[[], str]] = {
    "commands": render_commands,
    "addresses": render_addresses,
    "settings": render_settings,
    "errors": render_errors,
    "python": render_python,
}


def renewed(text: str) -> str:
    """The document with each part between its markers rendered anew."""
    for name, render in PARTS.items():
        begin, end = f"<!-- {name}: rendered -->\n", f"<!-- {name}: end -->"
        before, _, rest = text.partition(begin)
        _, found, after = rest.partition(end)
        if not found:
            raise ValueError(f"{FILE.name} lacks the markers of {name}")
        text = f"{before}{begin}{render()}\n{end}{after}"
    return text


if __name__ == "__main__":
    FILE.write_text(renewed(FILE.read_text(encoding="utf-8")), encoding="utf-8")
