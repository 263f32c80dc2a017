"""How often crops are told, and how far windows are off: measured `WindowPair`s and a calibration in, sentences out.

Sure means as the product settles a crop (`Thresholds.crop`); the probability is that of one reference, by both rungs
(`core.ladder.crop.crop_probability`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import Calibration
from matcher.core.ladder.crop import SIDES, crop_probability
from matcher.core.ladder.picture_settings import CropSettings
from matcher.core.settings import Thresholds
from matcher.lab.evaluation.windows import window_error
from matcher.lab.measures import auroc, reliability
from matcher.lab.training.window_pairs import SAME, WindowPair

LEGIBLE = 0.3
"""Residual contrast from which window and scale are reported."""


def window_sentences(pairs: Sequence[WindowPair], calibration: Calibration) -> Iterator[str]:
    """One sentence for each kind of pair, then for what was trimmed, and for the errors of windows."""
    settings, sure = CropSettings(), Thresholds().crop
    measured = [(pair, pair.measured) for pair in pairs if pair.measured]
    seen = [pair for pair, _ in measured]
    given = np.array([crop_probability(window, pair.features, calibration, settings) for pair, window in measured])
    kinds = np.array([pair.kind for pair in seen])
    for kind in dict.fromkeys(kinds.tolist()):
        own = given[kinds == kind]
        right, wrong = (own >= sure, own <= 1 - sure) if kind in SAME else (own <= 1 - sure, own >= sure)
        lost = sum(pair.kind == kind for pair in pairs) - len(own)
        yield (
            f"{kind:12} {len(own):4}: right {_percent(right)}, undecided {_percent(~right & ~wrong)}, "
            f"wrong {_percent(wrong)}; above or below one half {_percent((own >= 0.5) == (kind in SAME))}; "
            f"not registered {lost}"
        )
    truth = np.array([pair.same for pair in seen])
    found = reliability(given, truth)
    yield f"all: AUROC {auroc(given, truth):.3f}, Brier {found.brier:.4f}, ECE {found.ece:.3f}"
    yield from _trims([pair for pair, p in zip(seen, given, strict=True) if pair.same and p >= 0.5], settings)
    yield _errors(seen)


def _trims(pairs: Sequence[WindowPair], settings: CropSettings) -> Iterator[str]:
    """Of one crop: which trimmed sides are named, by how much they are off, how often a whole side is named."""
    named_mm = np.array([pair.measured.trimmed_mm(settings) for pair in pairs if pair.measured]).reshape(
        -1, 2 * len(SIDES)
    )
    true = np.array([pair.cut for pair in pairs]).reshape(-1, 2 * len(SIDES))
    one_sided = np.array([not (any(pair.cut[0]) and any(pair.cut[1])) for pair in pairs])
    cut, named = true > 0, named_mm > 0
    both = cut & named & one_sided[:, None]
    off = np.abs(named_mm - true)[both]
    whole = ~cut & one_sided[:, None]
    trimmed, some = cut.any(axis=1) & one_sided, np.asarray(named.any(axis=1))
    yield (
        f"sides cut by 1 to 2 mm: named {_percent(named[cut & one_sided[:, None]])}, off by {np.median(off):.2f} mm "
        f"(95th percentile {np.percentile(off, 95):.2f}); whole sides called trimmed {_percent(named[whole])}; of "
        f"trimmed cards something told {_percent(some[trimmed])}, of whole ones "
        f"{_percent(some[~cut.any(axis=1)])}"
    )


def _errors(pairs: Sequence[WindowPair]) -> str:
    legible = [pair for pair in pairs if pair.contrast >= LEGIBLE and pair.measured]
    shift, scale = np.array([window_error(pair.measured, pair.true) for pair in legible if pair.measured]).T
    return (
        f"legible ({len(legible)}): window off by {np.median(shift):.2f} mm, 95th percentile "
        f"{np.percentile(shift, 95):.2f} mm; scale by {100 * np.median(scale):.2f} %, 95th percentile "
        f"{100 * np.percentile(scale, 95):.2f} %"
    )


def _percent(these: NDArray[np.bool_]) -> str:
    return f"{100 * float(these.mean()):.1f} %" if these.size else "-"
