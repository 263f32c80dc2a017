"""Which references resemble a face: `reference_index`, the stage, and what it is made of.

settings.py         its numbers
descriptor_store.py descriptors, hashes and points in memory; the nearest of each: exact, or in an inverted file
voting.py           neighbours of a face's descriptors in, a shortlist out; knows nothing of how they were found
"""
