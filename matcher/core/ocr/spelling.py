"""How well do known words fit what the reader saw, frame by frame? The ruler of `caption_match`.

A reader looks at a line through a row of narrow frames and gives each sign's probability in each of them. The letters
that it names are the likeliest ones; how much less likely the known words are tells a letter that it doubted from one
that it saw clearly. The known words' best path through the frames is that of connectionist temporal classification
(Graves et al. 2006, Proc. ICML): every letter in one frame or more, frames without a sign anywhere between.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

LEAST_PROBABILITY = 1e-4
"""No sign is less likely than this in any frame: readers are never so sure as they say. By hand; the shipped
coefficients were fitted with it."""

TWINS = str.maketrans({"1": "l", "0": "o", "|": "l"})
"""Signs that old type makes alike, and readers confuse."""


def plain(words: str) -> str:
    """Letters and digits alone, compatible forms made one (Unicode NFKC), case folded, look-alikes joined.

    >>> plain("Wm.  O’Harlé – B. C.")
    'wmoharlébc'
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", words).casefold())
    return "".join(character for character in folded.translate(TWINS) if character.isalnum())


@dataclass(frozen=True)
class Frames:
    """What the reader saw of one line, or of several one after the other.

    signs:   letters and digits in their plain form; one for each column but the first.
    probabilities: (frames, 1 + signs) float32, each row at most 1 in sum; the first column is 'no sign'. A sign that is
             not there had less than LEAST_PROBABILITY everywhere.
    """

    signs: str
    probabilities: Floats

    def __post_init__(self) -> None:
        if self.probabilities.ndim != 2 or self.probabilities.shape[1] != 1 + len(self.signs):
            raise ValueError(f"probabilities {self.probabilities.shape} must be (frames, {1 + len(self.signs)})")

    @classmethod
    def of(cls, probabilities: Floats, plain_signs: Sequence[str]) -> Frames:
        """From the reader's own signs, (frames, signs), each given in its plain form: '' for none or a stop."""
        column: dict[str, int] = {"": 0}
        seen = np.flatnonzero(probabilities.max(axis=0, initial=0.0) >= LEAST_PROBABILITY)
        joined = [column.setdefault(plain_signs[int(sign)], len(column)) for sign in seen]
        together = np.zeros((len(probabilities), len(column)), np.float32)
        np.add.at(together.T, joined, probabilities.T[seen])
        return cls("".join(list(column)[1:]), together)

    def beside(self, other: Frames) -> Frames:
        """This line's frames and after them the other's."""
        signs = self.signs + "".join(sign for sign in other.signs if sign not in self.signs)
        return Frames(signs, np.vstack([self.spread(signs), other.spread(signs)]))

    def between(self, first: int, last: int) -> Frames:
        """Those of the letters named from `first` up to, without, `last`, counted as in `named`."""
        starts = self.begins
        begin = starts[first - 1] + 1 if first else 0
        end = starts[last] if last < len(starts) else len(self.probabilities)
        return Frames(self.signs, self.probabilities[begin:end])

    @property
    def named(self) -> str:
        """The likeliest letters and digits."""
        likeliest = self.probabilities.argmax(axis=1)
        return "".join(self.signs[int(likeliest[frame]) - 1] for frame in self.begins)

    @property
    def begins(self) -> list[int]:
        """The frames in which a letter begins, of those in `named`."""
        likeliest = self.probabilities.argmax(axis=1)
        return [int(n) for n in np.flatnonzero((likeliest > 0) & (likeliest != np.append(-1, likeliest[:-1])))]

    def logs(self, word: str) -> tuple[Floats, Floats, Floats]:
        """Logs of the probability of no sign, (frames,), each letter, (frames, letters), the likeliest, (frames,)."""
        least = np.log(LEAST_PROBABILITY)
        logs = np.log(np.maximum(self.probabilities, LEAST_PROBABILITY))
        unseen = np.full(len(logs), least, np.float32)
        letters = [logs[:, 1 + self.signs.index(c)] if c in self.signs else unseen for c in word]
        return logs[:, 0], np.stack(letters, axis=1), logs.max(axis=1, initial=least)

    def spread(self, signs: str) -> Floats:
        """The same, (frames, 1 + signs), for signs that hold all of its own."""
        spread = np.zeros((len(self.probabilities), 1 + len(signs)), np.float32)
        spread[:, [0, *(1 + signs.index(sign) for sign in self.signs)]] = self.probabilities
        return spread


def misfits(frames: Frames, words: Sequence[str]) -> tuple[float, ...]:
    """For each of the words, which stand one after the other, how much less likely it is than what was seen; nats.

    words: in plain form, none empty. 0 where the word is what the reader would have named; a letter that it saw
    otherwise beyond doubt adds some nine. Infinite where there are fewer frames than letters need.
    """
    word = "".join(words)
    nothing, letters, likeliest = frames.logs(word)
    # One state before each letter, one for each letter, one after the last.
    states = np.empty((len(likeliest), 2 * len(word) + 1), np.float32)
    states[:, 0::2], states[:, 1::2] = nothing[:, None], letters
    path = _best_path(states, _skips(word))
    if path is None:
        return (float("inf"),) * len(words)
    owner = np.repeat(np.arange(len(words)), [2 * len(w) for w in words])
    owner = np.append(owner, len(words) - 1)
    missing = likeliest - states[np.arange(len(path)), path]
    return tuple(float(missing[owner[path] == number].sum()) for number in range(len(words)))


def _skips(word: str) -> NDArray[np.bool_]:
    """States that may follow the state two before: a letter its neighbour, unless both are the same letter."""
    skips = np.zeros(2 * len(word) + 1, np.bool_)
    skips[3::2] = [a != b for a, b in zip(word[1:], word[:-1], strict=True)]
    return skips


def _best_path(states: Floats, skips: NDArray[np.bool_]) -> NDArray[np.int64] | None:
    """The likeliest state of each frame (Viterbi), from the first state or letter to the last; None if out of reach."""
    frames, count = states.shape
    came = np.zeros((frames, count), np.int8)
    reached = np.full((3, count), -np.inf, np.float32)
    best = np.full(count, -np.inf, np.float32)
    if not frames:
        return None
    best[:2] = states[0, :2]
    for frame in range(1, frames):
        reached[0], reached[1, 1:], reached[2, 2:] = best, best[:-1], best[:-2]
        reached[2, ~skips] = -np.inf
        came[frame] = reached.argmax(axis=0)
        best = reached.max(axis=0) + states[frame]
    state = int(count - 1 if best[-1] >= best[-2] else count - 2)
    if not np.isfinite(best[state]):
        return None
    path = np.empty(frames, np.int64)
    for frame in range(frames - 1, -1, -1):
        path[frame] = state
        state -= int(came[frame, state])
    return path
