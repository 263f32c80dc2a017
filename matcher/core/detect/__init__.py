"""Helpers of the stage `locate`: the reduced picture, quads proposed from lines and regions, scores, refinement."""
