"""Many items at once: the same functions in worker processes of this machine, or on a cluster of many.

The room:
    processes   worker processes, set up in one way
    limits      what one process may use: memory, processor time
    supervised  workers that are watched over: a job that does not end is ended, a lost process costs its own job alone
    elsewhere   what decodes pictures done in this process, or in one that is watched over
    guarded     work in this very process, within limits: for a command with a photo or two
    cluster     work on many machines, by Dask
    side_by_side  parts of one photo's work, on two threads of its process
"""
