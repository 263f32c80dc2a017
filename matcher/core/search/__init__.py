"""Stage `search`: a description in, the references most like it out.

The room:
    reference_index   the stage: add, remove, search, save
    settings          its numbers, and where each comes from
    descriptor_store  descriptors, hashes and points in memory; the nearest of each: exact, or in an inverted file
    voting            neighbours of a face's descriptors in, a shortlist out; knows nothing of how they were found
"""
