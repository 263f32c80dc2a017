"""What `matcher.core.search.reference_index` is made of: where descriptors lie, and what their neighbours say.

voting.py    neighbours of a face's descriptors in, a shortlist out; knows nothing of how they were found
selection.py which descriptors a large index keeps and asks
exact.py     small catalogues: every descriptor of every reference, compared with every one
lists.py     inverted lists: cells in two levels, files of lists
stored.py    large catalogues: inverted lists and points as memory maps, never changed
recent.py    what came after they were written, in memory, in the same cells
rebuild.py   stored and recent into new files
shards.py    several indexes asked in one call, wherever they are
"""
