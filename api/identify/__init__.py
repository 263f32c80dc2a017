"""A photo in, what it shows out; comparisons are kept for a while so that a browser can fetch their pictures."""
