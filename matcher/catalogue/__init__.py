"""The catalogue: records, their reference images and copies, kept in a folder.

table      CSV of records -> checked rows
prepare    image -> prepared reference (the stages' work, in worker processes)
enrol      table + folder -> catalogue, report (`tally`: what became of each row)
store      the catalogue opened: adding, removing, deciding; holdings is its reading half
arrivals   what comes in -> rows
models     records, copies, references: tables, and the frozen rows that leave the package
registers  the other tables: log, finds, sightings, series, tokens, ...; lot_registers those of scanned lots
changes    single changes of rows: made, kept, turned round
decisions  the log: append-only, chained; turning undoes and redoes; journal exports and replays it (logfile reads
           its lines, playing makes many decisions at once)
proposals  an answer -> open finds, by the machine; finds: a person's decisions on them
revise     records, poses and subjects merged, split, put right; removal takes one out; cropmap maps a pose's crops
series     what is said of each series, and how many records name it
copies     sightings, and which physical card they show; scarcity counts them and names gaps
search     a name, however it is spelt -> records
package    the catalogue as files (Data Package, Dublin Core); bag wraps and imports them; sheets guards CSV cells
zipped     many files as one zip, packed while it is read; unpacked once it is found harmless
mapping    somebody's own table -> a table with our columns
check      is all well; backup copies it while in use; tokens say who may use the HTTP service
files      images, face cache, the writer's lock
database   engine, and the one table of storage failures
migrate    versions of the database (Alembic)
"""

from matcher.catalogue.records.queries import Counts
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.models import Quad, RecordRow, ReferenceRow

__all__ = ["Catalogue", "Counts", "Quad", "RecordRow", "ReferenceRow"]
