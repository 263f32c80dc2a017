"""What the database holds, and how it is opened.

The tables, then what is done with the database:
    content     what names a stored picture, by pattern
    models      records, copies, references, descriptions: tables, and the frozen rows that leave the package
    facts       series, other spellings of names, the common frame and the crops of each pose
    finds       what came from outside: finds, and sightings of cards that are no references
    lots        scans that are tagged together: working state, no part of the log
    log         which catalogue it is, its decisions, and all that is given out once and for good
    service     tokens and answered requests of the HTTP service
    given_ids   ids like V00017: those in use, and the next free one
    database    the engine, and the one table of storage failures
    targets     files outside a catalogue that a person asked for: why they cannot be written
    migrate     versions of the database, brought up to date
    migrations  the revisions (Alembic)
"""
