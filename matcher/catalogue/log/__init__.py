"""Every decision: made, written down, undone, taken out and played in again."""
