"""Studio cards drawn with cut outlines and borrowed matter: wear, prints and movement.

Damage is an outline (a superformula, a hull, a spline, a pen stroke) whose distance gives rims, shadows and halos,
filled with matter that the picture lends: its tones, its noise in shuffled blocks, another place of it. Prints are
monotone curves over a picture parted into base and detail. Movement is a smooth push inside an outline, or a part cut
out along the picture's own edges. Who judges negatives should meet wear from more than one hand; this is one of them.

What a card is drawn with:
    sheet       a picture             -> outlines, strokes and matter, in millimetres of the card
    worn_sheet  a picture             -> the same sheet, which cover, shadow, ink and letters can be laid on
    sitter      a picture             -> a part cut out along its own edges; the person before the backdrop

What is drawn:
    lost        a `WornSheet`         -> what it has lost: creases, losses, holes, rubbing, torn sides, a cracked plate
    laid_on     a `WornSheet`         -> what lies upon it or has soaked in: labels, ink, tape, stamps, water, mould
    wear        a picture             -> either by its name, `KINDS`, and the share that is covered or gone
    prints      a picture             -> another print of the same negative, `rendered`
    moments     a picture             -> the sitter seconds later, `another_moment`
"""

from matcher.lab.synthesis.shapes.moments import another_moment
from matcher.lab.synthesis.shapes.prints import rendered
from matcher.lab.synthesis.shapes.wear import KINDS

__all__ = ["KINDS", "another_moment", "rendered"]
