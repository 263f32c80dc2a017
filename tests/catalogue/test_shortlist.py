"""The shortlist is cut by pose: many pictures of one exposure leave its near twin a place on it."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.search.settings import SearchSettings
from matcher.core.search.voting import Hit


@pytest.mark.parametrize("crowd", [3, 11, 40])
def test_a_crowd_of_one_exposure_leaves_its_twin_a_place(
    crowd: int, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    with CatalogueReferences.open(catalogue.folder) as references:
        poses = dict.fromkeys(range(1, crowd + 1), "P1") | {crowd + 1: "P2"}
        known = {n: SimpleNamespace(record=SimpleNamespace(pose=pose)) for n, pose in poses.items()}
        hits = tuple(Hit(n, 200.0 - n, 200 - n, False) for n in poses)
        index = SimpleNamespace(settings=SearchSettings(), search=lambda description, limit: hits[:limit])
        monkeypatch.setattr(references, "_known", known)
        monkeypatch.setattr(references, "index", index)
        found = [poses[hit.reference_id] for hit in references.search(None)]  # type: ignore[arg-type]
    assert found.count("P2") == 1
    assert found.count("P1") == min(crowd, SearchSettings().of_one_pose)
