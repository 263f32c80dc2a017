"""The catalogue: records, their reference images and copies, kept in a folder.

tables/     what the database holds, and how it is opened
    models          records, copies, references, descriptions: tables, and the frozen rows that leave the package
    facts           series, other spellings of names, the frame and crops of each pose
    finds, lots     what came from outside: finds and sightings; scans that are tagged together
    log, service    decisions and what is given out for good; tokens and answered requests of the HTTP service
    given_ids       ids like V00017: those in use, and the next free one
    database        the engine, and the one table of storage failures
    migrate         versions of the database (Alembic, `migrations`)
log/        the log of decisions: append-only, chained
    changes         single changes of rows: made, kept, turned round
    decisions       the log's entries, written and read
    undo_redo       decisions undone and made again
    log_io          the log exported and replayed; log_file reads its lines
    past_words      words of earlier versions, as they are called now
records/    what is known
    queries         reading: records, references, faces, descriptions
    store           `Catalogue`: opening, adding, removing, deciding
    enrol           a table and its images -> catalogue; prepare does the stages' work, enrol_report tells each row
    ingest          what comes in (or goes) -> changes of rows
    corrections     records, poses and subjects merged, split, put right
    name_search     a name, however it is spelt -> records
    series          what is said of each series
    scarcity        how many copies of each record have been seen, and what is lacking
    files           images, face cache, the writer's lock
finds/      what came from outside
    proposals       an answer -> open finds, by the machine
    resolution      a person's decisions on them
    sightings       cards seen, and which physical card they show
exchange/   ways in and out
    table           CSV of records -> checked rows; csv_text guards cells, mapping takes somebody else's columns
    package         the catalogue as files (Data Package, Dublin Core); bag wraps and imports them, zipped packs them
    backup          a copy of the catalogue while it is in use
    check           is all well?
reference_set       what `identify` asks of a catalogue, opened once a process
calibration_store   which confidence a catalogue is judged with
tokens              who may use the HTTP service
"""

from matcher.catalogue.records.queries import Counts
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.models import Quad, RecordRow, ReferenceRow

__all__ = ["Catalogue", "Counts", "Quad", "RecordRow", "ReferenceRow"]
