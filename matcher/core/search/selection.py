"""Which descriptors a large index keeps of a reference, and which of a query it asks for.

The coarsest ones: they outlive fading and grain, and both sides choose the same ones, so that half of a face's
descriptors on either side lose hardly any of the matches that count.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from matcher.core.describe import Description


def coarsest(description: Description, count: int) -> Description:
    """The description with at most `count` features, those of the largest scale, in their old order."""
    if len(description.descriptors) <= count:
        return description
    rows = np.sort(np.argsort(-description.scales, kind="stable")[:count])
    return replace(
        description,
        points=description.points[rows],
        angles=description.angles[rows],
        scales=description.scales[rows],
        descriptors=np.ascontiguousarray(description.descriptors[rows]),
    )
