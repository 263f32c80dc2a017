"""The catalogue: records, their reference images and copies, kept in a folder.

table      CSV of records -> checked rows
prepare    image -> prepared reference (the stages' work, in worker processes)
enrol      table + folder -> catalogue, report
store      the catalogue opened: reading, adding, removing
arrivals   what comes in -> rows
models     tables and the frozen rows that leave the package
files      images, face cache, the writer's lock
database   engine, and the one table of storage failures
migrate    versions of the database (Alembic)
"""

from matcher.catalogue.models import Quad, RecordRow, ReferenceRow
from matcher.catalogue.store import Catalogue, Counts

__all__ = ["Catalogue", "Counts", "Quad", "RecordRow", "ReferenceRow"]
