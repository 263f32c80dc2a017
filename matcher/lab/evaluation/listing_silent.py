"""The listings' set with descriptions that are silent: each pose has two more details, of which one is described.

A listing may speak of both, and of a year that is not the record's. Neither the detail that nobody has described nor a
year, which no picture shows, is a contradiction.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from matcher.lab.evaluation.listing_set import ListingSet


def with_silence(made: ListingSet, seed: int) -> ListingSet:
    """The same set, its poses described by one detail more, and knowing of another; the same seed deals the same."""
    rng = np.random.default_rng([seed, 97])
    some = made.words.said["details"]
    details = {}
    poses = {}
    for pose, entry in made.poses.items():
        told, silent = (some[k] for k in rng.permutation(len(some))[:2])
        details[pose] = told, silent
        term = str(entry.get("term", entry["described"]))
        poses[pose] = {**entry, "term": term, "described": f"{entry['described']}; {told['described']}"}
    return replace(made, poses=poses, details=details)
