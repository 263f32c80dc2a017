"""Stage `detect`: a photo in, the outlines of its cards out.

The way through the room, in its order:
    detection          the stage: a page of cards, else cards whose edges are seen, else the full picture
    card_quad          the carriers: one outline, and all of a photo
    card_sizes         which known formats a card in an outline may have
    given_outline      an outline as a person has drawn it, or a table tells it
    settings           its numbers, and where each comes from
    proposal_settings  those of the reduced picture and of proposals
    choice_settings    those by which quads are chosen
    reduced_image      the photo made small: colours, normalised gradient, thin edges
    flatbed_layout     many cards on one even ground, by their common size
    lone_card          one thing on one even ground, as a whole
    mount_around       the mount around a print that was taken for its card
    quad_search        quads proposed, scored, set against each other; one a card is left
    first_look         one card that is clear at once
    closer_look        small things that may be cards, searched again from nearer
    proposals          the pool of quads: from lines, from regions, moved onto edges near them
    line_proposals     quads from long straight lines
    region_proposals   quads from what stands out from its surroundings
    finder             what a network takes for cards: quads around it, and what it says of any quad
    ground             what the ground looks like, and how unlike it each place is
    edge_search        cards by their edges alone, whatever is printed on them
    caption_extension  a quad carried on over the strip that bears the caption
    refinement         where exactly a card's sides run
    side_strips        mount or table between two lines that run beside each other
    shadow_rim         the same beside a card's own soft shadow
    scoring            what edges and inside say for a quad, by weights set by hand
    no_card            what has a card's outline and is none
    quad_classifier    the same and what lies around, by weights that were fitted
    drawn_rectangles   quads that are only a drawn outline
    suppression        overlapping quads thinned, and reading order
    full_frame         whether the full picture is one card
    orientation        which way up a card is, and front from back
    turning            an outline made to begin at its card's upper left
    geometry           plane geometry of quads
    sampling           colours along and across the sides of quads
    lens               how a lens bows a card's sides, and its picture with them
    warp               a card cut out and flattened
"""
