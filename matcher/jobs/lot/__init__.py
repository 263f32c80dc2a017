"""A scanned lot: many files in, every card tagged, the doubtful ones in a queue, nothing done twice.

    gather     folders and files   -> pictures in order, what was left aside and why
    sides      file names          -> which file is a front, which its back
    store      tables              -> lot, items, answers, pairs; each item's state survives a kill
    run        sources + catalogue -> every item identified once, by content and fingerprint
    faces      a kept face        -> whole, made anew from its scan, or told as lost
    kin        the lot's faces     -> pairs of them laid over each other (the lot as a references of its own)
    families   pairs               -> the same card again, copies of one record, one find for many cards
    cards      answers + families  -> one `Card` per card of the lot, in order
    review     cards               -> what waits for a person, the most valuable first; decisions on it
    outlining  a drawn outline     -> the card found anew within it
    results    cards               -> CSV, JSON Lines, faces
    workbook   rows and faces      -> a spreadsheet with a picture per row, and counts
    sidecar    cards               -> XMP beside the originals, merged with what is there
    sheet      cards               -> contact sheet, the doubtful first
    cleaning   how much lots take up; old ones are cleared away
    desk       lots of the service -> the next photo to work on, fair between people

Originals are read and never written to. Tables of a lot are working state and no part of the log; what a person
decides goes through `finds.resolution` and `finds.sightings` of the catalogue, and can be undone like any other
decision.
"""
