"""The HTTP service: what `identify` and `records` answer on the command line, answered over HTTP.

app        settings -> FastAPI application; the only place that knows all the parts
routes     one short function an address
growth     finds, decisions, names, scarcity, tables as files (`deciding`: the shapes of decisions)
seen       cards noted as seen; the plot of scarcity
exchange   whole catalogues out and in (`importing`: files that came -> a catalogue)
access     who asks, and what they may
session    a browser's token as a cookie
upload     request -> the files in its form
queue      photo -> answer, on worker processes, with a limit to what may wait
lots       lots: photos sent together, worked on by lot_worker while nobody waits, then reviewed
listings   a sale listing's text and pictures -> what the pictures say of it
comparisons  a photo, a find or a lot's card -> its answer, and registered pictures, which `kept` holds for a while
viewing    subjects, thumbnails, crop maps, sightings, for looking through
page       the page for the browser: shells, modules, style sheets
browse     catalogue -> pages of records, record, health
pictures   stored reference image -> clean JPEG
schemas    the shapes of requests and answers (the only Pydantic models besides `settings`)
problems   the one table of errors, and how they are told (RFC 9457)
guards     what holds for every request: headers, host, size of the body, the last resort
"""
