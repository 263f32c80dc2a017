"""Pictures for a person: the evidence of an answer, overlays of two faces, the map of a pose's crops, a negative
stitched from its cards, a stored picture as a JPEG; and what helps an eye to look: tones brought together, places that
differ."""
