"""platekin: say which known variation an old studio-photograph card is, from a photo, with the evidence.

    from matcher import Catalogue, identify

    with Catalogue.open("my-cards") as catalogue:
        for card in identify("photo.jpg", catalogue).cards:
            print(card.answer.outcome, *card.answer.reasons, sep="\\n    ")

What is listed in `__all__` is meant for your own programs and stays; everything else may change. A name is loaded when
it is first asked for, so that a stage of `matcher.core` can be used without the database that a catalogue needs.
"""

from __future__ import annotations

import os

# ONNX Runtime reports to its maker unless it is told not to before it is loaded, in every process: and every process
# that works for us, a spawned worker or a cluster's, loads this package first. Nothing leaves the machine.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"

TYPE_CHECKING = False  # that of `typing` takes a while to load, and the command is to answer Ctrl-C at once
if TYPE_CHECKING:
    from matcher.catalogue.records.enrol import enrol
    from matcher.catalogue.records.enrol_report import EnrolReport, RowOutcome
    from matcher.catalogue.records.store import Catalogue
    from matcher.catalogue.tables.models import RecordRow, ReferenceRow
    from matcher.core.align.alignment import Alignment
    from matcher.core.answer import PhotoAnswer, answer_of
    from matcher.core.answer_json import to_json
    from matcher.core.condition import Condition
    from matcher.core.detect.card_quad import CardQuad
    from matcher.core.errors import BadListing, BadTable, Busy, CatalogueError, PlatekinError, UnreadablePhoto
    from matcher.core.flatten import Face
    from matcher.core.identify import CardAnswer, Identification
    from matcher.core.ladder.candidate import Candidate, Confidence
    from matcher.core.ladder.caption import CaptionFinding
    from matcher.core.ladder.copy import CopyFinding
    from matcher.core.ladder.crop import CropFinding
    from matcher.core.ladder.decision import Answer
    from matcher.core.ladder.pose import PoseFinding
    from matcher.core.photo import Photo, read_photo
    from matcher.core.reference_set import KnownRecord, KnownReference, ReferenceSet
    from matcher.core.settings import FaceSize, PhotoLimits, Settings, Thresholds
    from matcher.jobs.identification import identify

__all__ = [
    "Alignment",
    "Answer",
    "BadListing",
    "BadTable",
    "Busy",
    "Candidate",
    "CaptionFinding",
    "CardAnswer",
    "CardQuad",
    "Catalogue",
    "CatalogueError",
    "Condition",
    "Confidence",
    "CopyFinding",
    "CropFinding",
    "EnrolReport",
    "Face",
    "FaceSize",
    "Identification",
    "KnownRecord",
    "KnownReference",
    "Photo",
    "PhotoAnswer",
    "PhotoLimits",
    "PlatekinError",
    "PoseFinding",
    "RecordRow",
    "ReferenceRow",
    "ReferenceSet",
    "RowOutcome",
    "Settings",
    "Thresholds",
    "UnreadablePhoto",
    "answer_of",
    "enrol",
    "identify",
    "read_photo",
    "to_json",
]

_MODULES = {
    "matcher.catalogue.records.enrol": ["enrol"],
    "matcher.catalogue.records.enrol_report": ["EnrolReport", "RowOutcome"],
    "matcher.catalogue.records.store": ["Catalogue"],
    "matcher.catalogue.tables.models": ["RecordRow", "ReferenceRow"],
    "matcher.core.align.alignment": ["Alignment"],
    "matcher.core.answer": ["PhotoAnswer", "answer_of"],
    "matcher.core.answer_json": ["to_json"],
    "matcher.core.condition": ["Condition"],
    "matcher.core.detect.card_quad": ["CardQuad"],
    "matcher.core.errors": ["BadListing", "BadTable", "Busy", "CatalogueError", "PlatekinError", "UnreadablePhoto"],
    "matcher.core.flatten": ["Face"],
    "matcher.core.identify": ["CardAnswer", "Identification"],
    "matcher.core.ladder.candidate": ["Candidate", "Confidence"],
    "matcher.core.ladder.caption": ["CaptionFinding"],
    "matcher.core.ladder.copy": ["CopyFinding"],
    "matcher.core.ladder.crop": ["CropFinding"],
    "matcher.core.ladder.decision": ["Answer"],
    "matcher.core.ladder.pose": ["PoseFinding"],
    "matcher.core.photo": ["Photo", "read_photo"],
    "matcher.core.reference_set": ["KnownRecord", "KnownReference", "ReferenceSet"],
    "matcher.core.settings": ["FaceSize", "PhotoLimits", "Settings", "Thresholds"],
    "matcher.jobs.identification": ["identify"],
}
"""Where each public name lives."""

_HOME = {name: module for module, names in _MODULES.items() for name in names}


def __getattr__(name: str) -> object:
    """Load a public name when it is first asked for (PEP 562)."""
    from importlib import import_module

    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(_HOME[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
