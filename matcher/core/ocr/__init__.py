"""The words on a card, read: `reading` finds and reads lines, `caption_match` says which known words they are.

photo -> reading (reader, the library) -> caption_match (line_match: which line is which; spelling: how well it fits)

`every_line` reads all that stands along a card's edges; `mark_match` says which line is the issuer's mark, `line_parts`
which is the caption, which the club; `way_up` turns a card over whose words stand on their heads. `line_pairs` looks at
a reference's lines (`kept_lines`: read once and kept) again on a query (`looks`: one place, cut out and read), `rows`
reads words of its record that no search found there, `printed_over` says which lines were printed upon the picture
itself. `added_line` finds a caption's line that only the query has, `added_mark` a mark (`mark_form`: does a line stand
in a frame?), `line_evidence` says how far apart the two sights are;
captions whose lines are not found there go the way above. `settings` holds the numbers.
"""
