"""Speed as ratios against a floor and baselines that are measured in the same run; what survives a kill.

    speed              `scripts/measure_speed`: the three below and the cluster, as one table
    cards              photographs                -> a catalogue, and photos and scans of other copies
    identification     a catalogue + photos       -> time by stage, size and number of processes
    index              described cards            -> cost and recall of the search alone
    simulated_index    described cards            -> an index of any size
    cluster            a catalogue + photos       -> photos a second on Dask workers
    load               `scripts/measure_load`: the service with many clients, a hostile one, a killed worker
    page               `scripts/measure_page`: weight, barriers, time to an answer, scrolling
    page_decisions     `scripts/measure_decisions`: what the shortest way of keys writes, how quickly a lot is decided
    catalogue          `scripts/measure_catalogue`: kills, export and import, replay, search
    catalogue_busy     the process that is killed
    catalogue_places   where these catalogues lie: SQLite, or PostgreSQL
    stops              `scripts/measure_stops`: Ctrl-C at random moments, and full disks
    versions           `scripts/measure_versions`: two versions asked the same photos by turns
    stock              invented scans, tables and answers for them

One thread each, but where processes are counted.
"""
