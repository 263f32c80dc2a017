"""A card looked at more closely, of whatever format: as large as its photo shows it, and in its own shape."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from matcher.catalogue import Catalogue
from matcher.catalogue.records.enrol import enrol
from matcher.core.formats import PRESETS
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.render.closer import Closer, LookCloser
from matcher.jobs.render.stored import large_face
from matcher.jobs.workers import Worker
from tests.catalogue.test_formats import table, write_card


@pytest.mark.parametrize("form", ["cabinet", "stereo", "insert"])
def test_a_card_and_its_reference_keep_their_formats_shape(tmp_path: Path, form: str) -> None:
    """They were squeezed into the common card's, and laid over each other by a transform that counts in their own."""
    write_card(tmp_path / "1.jpg", 1, form)
    row = ("V1", "Sitter 1", "P1", "A", "Sitter 1", "1.jpg", form, "")
    enrol(table(tmp_path, [row]), tmp_path / "catalogue", workers=0)
    with Catalogue.open(tmp_path / "catalogue") as catalogue:
        (kept,) = catalogue.references()
    size, corners = PRESETS[form].face, np.array(kept.quad)
    larger = np.linalg.norm(corners[3] - corners[0]) / size.height
    assert larger > 1.2
    bench = Worker(tmp_path / "catalogue", Settings())
    look = LookCloser(kept.quad, kept.id, None, True, form if form != "insert" else "")
    made = bench.run(Job("1.jpg", tmp_path / "1.jpg", look=False, steps=(look,))).extra(Closer)
    bench.references.catalogue.close()
    assert made is not None
    assert made.laid is not None
    face, laid = (
        np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(float) for data in (made.face, made.laid)
    )
    assert face.shape == laid.shape == (round(size.height * made.scale), round(size.width * made.scale), 3)
    inner = (slice(40, -40), slice(40, -40))
    assert np.median(np.abs(face[inner] - laid[inner])) < 6  # it is the very same card
    photo = read_photo(tmp_path / "1.jpg")
    shown = Image.open(io.BytesIO(large_face(tmp_path / "1.jpg", photo.sha256, kept.quad, size)))
    assert shown.width / shown.height == pytest.approx(size.width / size.height, rel=0.01)
