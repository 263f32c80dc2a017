"""Cells in; the table as text, as JSON, and the reliability plot out."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from matcher.catalogue.records.files import write_whole
from matcher.lab import measures
from matcher.lab.evaluation.scored_answers import Row, of_pairs, stated
from matcher.lab.evaluation.table import RUNGS, Cell

WIDTH = 72


def as_text(cells: Sequence[Cell]) -> str:
    """The table for a terminal, a cell a line."""
    head = (
        f"{'what':{WIDTH}} {'value':>9} {'95 % interval':>19} {'n':>9} {'bar':>10} {'':8} {'hash':>8} {'features':>8}"
    )
    return "\n".join([head, *(_line(cell) for cell in cells)]) + "\n"


def as_data(cells: Sequence[Cell]) -> list[dict[str, Any]]:
    """The table as plain JSON; what is not defined is null."""
    return [_plain({**asdict(cell), "baselines": dict(cell.baselines), "met": cell.met}) for cell in cells]


def save(folder: Path, about: str, cells: Sequence[Cell], rows: Sequence[Row]) -> None:
    """Write table.txt, table.json and reliability.png."""
    write_whole(folder / "table.txt", (about + as_text(cells)).encode())
    write_whole(folder / "table.json", (json.dumps(as_data(cells), indent=1) + "\n").encode())
    plot(folder / "reliability.png", list(rows))


def plot(path: Path, rows: list[Row]) -> None:
    """Stated probability against the share found right, a panel a rung; the area of a dot is its number of cases."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(3.1 * len(RUNGS), 3.6), layout="constrained")
    for rung, axes in zip(RUNGS, figure.subplots(1, len(RUNGS), sharey=True), strict=True):
        axes.plot([0, 1], [0, 1], color="0.7", linewidth=1)
        for name, colour, (given, truth) in (
            ("answers", "#1f4e79", stated(rows, rung)),
            ("pairs", "#b5651d", of_pairs(rows, rung) if rung != "record" else ([], [])),
        ):
            found = measures.reliability(given, truth)
            if found.n:
                x, y, counts = zip(*found.bins, strict=True)
                sizes = [12 + 260 * count / found.n for count in counts]
                label = f"{name}: n {found.n}, ECE {found.ece:.3f}"
                axes.scatter(x, y, s=sizes, color=colour, alpha=0.6, label=label)
        axes.set(title=rung, xlabel="stated", xlim=(-0.03, 1.03), ylim=(-0.03, 1.03))
        if axes.get_legend_handles_labels()[0]:
            axes.legend(loc="upper left", fontsize=7, markerscale=0.4)
    figure.axes[0].set_ylabel("found right")
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, format="png", dpi=110)


def _line(cell: Cell) -> str:
    low_high = (
        ""
        if cell.interval is None or math.isnan(cell.interval[0])
        else " - ".join(_number(limit, cell.unit) for limit in cell.interval)
    )
    bar = f"{'<=' if cell.bar.at_most else '>='} {_number(cell.bar.limit, cell.unit)}" if cell.bar else ""
    met = {None: "", True: "met", False: "MISSED"}[cell.met]
    baselines = dict(cell.baselines)
    theirs = " ".join(f"{_number(baselines[r], cell.unit) if r in baselines else '':>8}" for r in ("hash", "features"))
    value = _number(cell.value, cell.unit)
    cases = str(cell.n) if cell.true is None else f"{cell.true}/{cell.n}"
    return f"{cell.what:{WIDTH}} {value:>9} {low_high:>19} {cases:>9} {bar:>10} {met:8} {theirs}".rstrip()


def _number(value: float, unit: str) -> str:
    if math.isnan(value):
        return "-"
    if unit == "%":
        return f"{100 * value:.1f} %"
    return f"{value:.0f} ms" if unit == "ms" else f"{value:.2f} mm" if unit == "mm" else f"{value:.3f}"


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and math.isnan(value) else value
