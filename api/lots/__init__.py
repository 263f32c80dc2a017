"""Lots: photos sent together, worked on by the service's own worker, then reviewed by a person."""
