"""Campaigns: the product mistreated many times on purpose, and what became of it counted. Run, not part of the tests.

    damages     stored files damaged one at a time: is every other answer noticed?
    kills       kill -9 at random moments over enrolling, lots, decisions, imports, merges
    broken      files broken at random in eight formats, and files made to be costly
    contract    the service's own description, tried out by schemathesis
    hostile     hostile clients beside honest ones
    outages     a database that goes away, a disk that fills up, a clock that jumps
    sockets     what is connected to while the product works
    mistreat    the one door to them: scripts/mistreat
    at_work     what they share: a service started and ended, processes and their memory

Each tells its options by `scripts/mistreat NAME --help`; the tests run each with small numbers.
"""
