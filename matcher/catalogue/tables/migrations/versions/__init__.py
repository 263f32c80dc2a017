"""One file a revision, oldest first by number. A released revision is never changed."""
