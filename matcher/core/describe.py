"""Stage 4: a `Face` in, a `Description` out: perceptual hashes and ORB features of its picture.

Features are taken from the locally contrast-normalised face, so that a faint print and a strong one of the
same negative give nearly the same descriptors.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from importlib.metadata import version

import cv2
import imagehash
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from matcher.core.filters import NormaliseSettings
from matcher.core.flatten import Face
from matcher.core.shared_settings import FaceSize


@dataclass(frozen=True)
class DescribeSettings:
    """Parameters of the description; any change changes the fingerprint and so rebuilds the index."""

    features: int = 400
    fast_threshold: int = 8  # low: plain studio backgrounds have few corners
    scale_step: float = 1.2
    levels: int = 6
    edge_px: int = 16


@dataclass(frozen=True)
class Description:
    """What the index keeps of a face.

    hashes:      (32,) uint8: a 256-bit perceptual hash (DCT) of the face.
    points:      (n, 2) float32, x y of keypoints in face pixels.
    angles:      (n,) float32, degrees.
    scales:      (n,) float32, keypoint diameter in face pixels.
    descriptors: (n, 32) uint8, ORB.
    fingerprint: of algorithm, parameters and library versions.
    """

    hashes: NDArray[np.uint8]
    points: NDArray[np.float32]
    angles: NDArray[np.float32]
    scales: NDArray[np.float32]
    descriptors: NDArray[np.uint8]
    fingerprint: str

    def __post_init__(self) -> None:
        n = len(self.descriptors)
        expected = {"hashes": (32,), "points": (n, 2), "angles": (n,), "scales": (n,), "descriptors": (n, 32)}
        for name, shape in expected.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} must be {shape}, not {getattr(self, name).shape}")


def describe(face: Face, settings: DescribeSettings = DescribeSettings()) -> Description:
    """Hashes and features of one face; the same face always gives the same description."""
    orb = cv2.ORB.create(
        nfeatures=settings.features,
        scaleFactor=settings.scale_step,
        nlevels=settings.levels,
        edgeThreshold=settings.edge_px,
        patchSize=31,
        fastThreshold=settings.fast_threshold,
    )
    keypoints, descriptors = orb.detectAndCompute(face.normal, face.trusted.astype(np.uint8) * 255)
    rows = descriptors if descriptors is not None else np.empty((0, 32), np.uint8)
    return Description(
        hashes=perceptual_hash(face),
        points=np.array([k.pt for k in keypoints], np.float32).reshape(-1, 2),
        angles=np.array([k.angle for k in keypoints], np.float32),
        scales=np.array([k.size for k in keypoints], np.float32),
        descriptors=np.asarray(rows, np.uint8),
        fingerprint=fingerprint(settings, face.size),
    )


@lru_cache
def fingerprint(settings: DescribeSettings = DescribeSettings(), size: FaceSize = FaceSize()) -> str:
    """Sixteen hexadecimal digits that differ whenever descriptions could; size: of the faces.

    Faces of one scale share an index, whatever their shape: descriptors know nothing of it.
    """
    facts = {
        "algorithm": "normalise+orb+phash256/3",  # 3: the face's mask is the one it was cut out with
        "settings": asdict(settings),
        "contrast": asdict(NormaliseSettings()),
        "opencv": cv2.__version__.split(".")[0],
        "imagehash": version("imagehash"),
        "pillow": version("pillow").split(".")[0],  # makes the hash's small picture
        **({} if _common_scale(size) else {"face": size.facts}),
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:16]


def _common_scale(size: FaceSize) -> bool:
    common = FaceSize()
    return max(size.width, size.height) == common.height and size.same_scale(common)


def perceptual_hash(face: Face) -> NDArray[np.uint8]:
    """(32,) uint8: 256 bits, the signs of the face's coarsest cosine waves (ImageHash's `phash`)."""
    bits = imagehash.phash(Image.fromarray(face.grey), hash_size=16).hash
    return np.packbits(bits.ravel())
