"""Wear, prints and movement of old photograph cards, drawn by the forces that make them.

Paper is bent and lit from a side, water creeps until its front is pinned, mould feeds on what it has not yet eaten, a
pen swings like a weight on a spring, flakes fall where stress passes a limit. A print is reckoned in exposure and
density, a movement as a velocity that dies away round the part that moves. A judge that learns from these sees wear,
prints and poses that no other drawing repeats.

What a card is drawn with:
    fields      a shape, a generator  -> noise, heat, paper, paths, outlines, and windows to draw in

What is drawn:
    lost        a picture             -> what it has lost: creases, flakes, holes, rubbing, torn sides, a cracked plate
    laid_on     a picture             -> what lies upon it or has soaked in: labels, ink, tape, stamps, water, mould
    wear        a picture             -> either by its name, `KINDS`, and the share that is covered or gone
    prints      a picture             -> another print of the same negative, `rendered`
    moments     a picture             -> the sitter seconds later, `another_moment`
"""

from matcher.lab.synthesis.forces.moments import another_moment
from matcher.lab.synthesis.forces.prints import rendered
from matcher.lab.synthesis.forces.wear import KINDS

__all__ = ["KINDS", "another_moment", "rendered"]
