"""Many items at once: the same functions in worker processes of this machine, or on a cluster of many.

The room:
    processes  worker processes, set up in one way
    cluster    work on many machines, by Dask
"""
