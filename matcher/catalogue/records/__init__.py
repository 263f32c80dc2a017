"""What is known: records and their reference images, enrolled, read, found by name and put right.

Reading and storing, then what comes in, then what people do with it:
    queries       reading: records, references, faces, descriptions
    store         `Catalogue`: opening, adding, removing, deciding
    cells         a table as any program saved it -> rows of cells
    text_encoding  a text file's bytes -> its text
    columns       ours, theirs, and what a misspelt one was meant to be
    days          days as people write them -> ISO 8601
    table         a table of records -> checked rows
    renumber      somebody else's ids -> free ids of this catalogue
    csv_text      cells that a spreadsheet would run as formulas, made harmless
    enrol         a table and its images -> catalogue
    enrol_report  what became of each row
    prepare       an image -> a prepared reference (the stages' work, in worker processes)
    ingest        what comes in, or goes -> changes of rows
    outlining     a reference outlined anew
    indexing      the index follows outlines and formats that were said anew
    formats       which format records, series and references have
    corrections   records, poses and subjects merged, split, put right
    name_search   a name, however it is spelt -> records
    series        what is said of each series
    scarcity      how many copies of each record have been seen, and what is lacking
    scratch       folders for what is on its way, cleared after a kill
    files         images, face cache, the writer's lock
"""
