"""Whoever reports: damage, prints and movements by code that nothing is fitted on."""

from __future__ import annotations

from matcher.lab.evaluation.other_moments import another_moment
from matcher.lab.evaluation.other_prints import rendered
from matcher.lab.evaluation.other_wear import OTHER_KINDS, hurt_otherwise
from matcher.lab.synthesis.worlds import Hand

OTHER_HAND = Hand("other", tuple(OTHER_KINDS), hurt_otherwise, rendered, another_moment)
"""For reporting alone."""
