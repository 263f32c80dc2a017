"""Pictures for a person: the evidence of an answer, overlays of two faces, the map of a pose's crops."""
