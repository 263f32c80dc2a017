"""What is built on `identify` and a catalogue: lots, listings, evidence to look at, the workers that do it."""
