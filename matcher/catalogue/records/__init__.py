"""Records, references and copies: stored, read, enrolled, corrected, searched."""
