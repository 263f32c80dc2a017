"""The catalogue: records, their reference images and copies, kept in a folder with a log of all decisions.

Rooms, each knowing those above it alone:
    tables             what the database holds, and how it is opened
    log                decisions, append-only and chained
    records            what is known: enrolled, read, found by name, put right
    finds              what came from outside: finds and sightings
    exchange           tables, bags, backups, the log as a file

And beside them:
    undo_redo          decisions undone and made again
    reference_set      what `identify` asks of a catalogue, opened once a process
    calibration_store  which confidence a catalogue is judged with
    tokens             who may use the HTTP service
"""

from matcher.catalogue.records.queries import Counts
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.models import Quad, RecordRow, ReferenceRow

__all__ = ["Catalogue", "Counts", "Quad", "RecordRow", "ReferenceRow"]
