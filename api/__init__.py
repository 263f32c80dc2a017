"""The HTTP service: what the command line does, over HTTP, and the page for the browser.

    app          settings -> FastAPI application; the only place that knows all the parts
    identify     a photo -> its answer; comparisons: registered pictures to compare by eye
    catalogue    looking through it: records and their images, subjects, crops, series, scarcity
    curation     finds and decisions; what must hold before something is written
    sightings    cards noted as seen
    exchange     whole catalogues, logs and tables out and in; the check of all
    lots         photos sent together, worked on while nobody waits, then reviewed; folders of scans
    listings     a sale listing's text and pictures -> what the pictures say of it
    page         the page for the browser: shells, modules, style sheets

    service           what every address works with
    work_queue        photo -> answer, on worker processes, with a limit to what may wait
    lot_worker        photos of lots into the one queue of workers, answers back to the store
    threads           calls in threads that are waited for before what they use is closed
    comparison_cache  pictures registered to compare, kept for a while so that a browser can fetch them one by one
    access            who asks, and what they may
    session           a browser's token as a cookie
    middleware        what holds for every request: headers, host, size of the body, the last resort
    problems          how errors are answered (RFC 9457)
    parameters        kinds of texts, numbers and headers that several addresses take
    upload            request -> the files in its form
    paged             which page of a file is asked about, and how many it has
    pictures          stored image -> clean JPEG, made apart
    health            how the service is
    board             what health says, looked up beside the requests, so that it is told at once
    settings          of the service

In each subject `routes` (or a module named by what it answers) holds one short function an address, and `shapes` what
goes over the wire: Pydantic is used here and nowhere below.
"""
