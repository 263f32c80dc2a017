"""The numbers of stage `search`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class VotingSettings:
    """How neighbours of single descriptors become a shortlist."""

    far_bits: int = 72
    """Hamming distance (of 256) beyond which two ORB descriptors of the same spot hardly ever lie; own choice."""
    checked: int = 48
    """References whose votes are checked for one common transform; own choice."""
    fewest: int = 4
    """Votes below which a reference is not checked: two give a similarity transform, and as many must confirm it."""
    agree_px: float = 6.0
    """Face pixels within which a vote agrees with a transform, 0.6 mm: hand-cut cards and rough corners; own choice."""
    trials: int = 300
    """RANSAC trials; a share of 12.4 % inliers is found with probability 0.99 (Fischler & Bolles 1981)."""
    confidence: float = 0.99
    """RANSAC ends early where it is so sure; common practice."""
    smallest_scale: float = 0.4
    largest_scale: float = 2.5
    """Magnification, reference over query, that a crop explains; own choice."""


@dataclass(frozen=True)
class SearchSettings:
    """How references are held and asked for."""

    exact_below: int = 150_000
    """Up to this many descriptors every one is compared, well under 0.1 s a face on one core; measured."""
    neighbours: int = 24
    """Asked for each descriptor: one negative may stand in the catalogue in many crops, captions and copies; own
    choice."""
    many_neighbours: int = 128
    """The same beyond `exact_below`: of a million references strangers fill 24 places before the right one; measured,
    right pose on the list for 118 in place of 88 of 120 photos."""
    kept: int = 128
    """Descriptors, the coarsest, that are kept of a reference beyond `exact_below`; measured, as `asked`."""
    asked: int = 256
    """Descriptors, the coarsest, that are then asked for of a query: both sides choose the same ones, so that half of
    them lose hardly a match."""
    cells_per_root: float = 2.0
    """Cells for each root of the number of descriptors: lists and cells grow alike; common practice is 4 to 16 (FAISS),
    fewer cost less to train and find as many, measured at 5,000 and 50,000 references."""
    fewest_cells: int = 64
    most_cells: int = 65_536
    """Bounds of that number; own choice."""
    probes: int = 16
    """Cells looked into for each descriptor asked for; measured, twice the number at which nothing is lost."""
    training_rounds: int = 4
    """Rounds of k-means; measured, more find no more."""
    sample_per_cell: int = 20
    """Descriptors a cell by which cells are trained; measured, 40 find no more."""
    outgrown: float = 2.0
    """Cells are trained anew where this many times as many would suit; own choice."""
    by_hash: int = 4
    """References with the nearest perceptual hashes, which are on the list whatever the descriptors say; own choice."""
    shortlist: int = 12
    """References on the shortlist; own choice."""
    of_one_pose: int = 4
    """Of them, so many at the most of one pose; own choice: the clearest of a few is compared, others when in doubt."""
    save_every: int = 50_000
    """References added between two savings while a large index is built, so that a break costs little; own choice."""
    voting: VotingSettings = VotingSettings()
