"""How well does it work? From any folder of photographs to one table of measures, baselines in the same run.

The ladder, from negatives to the table:
    main                the command line                 -> one of the five stages below
    negatives           folders                          -> `Negative`s: which files show one sitter in one room
    variations          a negative                       -> crops and captions that differ by a stated amount
    windows             two printed copies               -> the true shift and scale between their windows
    plan                negatives + a seed               -> `EvaluationPlan`: records to enrol, queries with their truth
    draw                `EvaluationPlan`                 -> reference scans and their table, query photos
    query_judge         one query                        -> one row: the answer, pairs, what the baselines say
    pairs               one query                        -> every rung's finding for chosen references
    baselines           the query's face                 -> what a 64-bit hash, and ORB + RANSAC, would name
    run                 all of them, resumable           -> rows.jsonl
    scored_answers      a row                            -> what of its answer was right
    table               rows                             -> every cell, with its n, interval and bar
    other_wear          a print's greys                  -> damage drawn by another hand than `synthesis.wear`
    other_prints        a plate's greys                  -> another print by another hand than `synthesis.prints`
    other_moments       a plate's greys                  -> an exposure seconds later, by that other hand
    other_hand          -                                -> all three as one `Hand`, for reporting alone
    colour_run          real prints in colour            -> what of damage in another colour is found, and what wrongly
    plates_run          exposures of real old plates     -> whether those are told apart in which somebody moved
    printed             cells                            -> text, JSON, reliability plot

Finding cards:
    detection           staged scenes                    -> a table by type of scene
    detection_measures  one scene + what was found       -> `CardHit`s: Jaccard index, corners in mm
    detection_cost      photos of 12 megapixels          -> time over that of their decoding
    detection_sheet     the worst scenes                 -> one sheet to look at
    formats             scenes and pages of each format  -> found, right format, upright
    offered             an outline                       -> whether it is offered as bare, not called a card
    two_formats         one negative on two formats      -> right pose, crop told
    real_photos         real photographs, corners by eye -> found, and what was taken for a card

Words and marks:
    lettering           negatives + typefaces            -> rows of cards in every place and lettering
    lettering_set       the same                         -> records, photos and their truth
    fetch_type          a folder                         -> the typefaces that it lacks, fetched
    lettering_table     rows                             -> the stage's measures

A scanned lot:
    lot                 negatives                        -> tags, duplicates, queue
    lot_speed           single scans                     -> time and memory over those of a plain loop
    lot_kills           invented answers                 -> what is lost or done twice when a run is killed

Listings:
    listing_run         negatives                        -> the whole stage
    listing_set         negatives + words                -> a described catalogue and pictures
    listing_silent      a set                            -> the same, with descriptions that are silent on something
    listing_drawn       what `scripts/demo` leaves       -> the same of a set that is drawn already
    listing_texts       a picture's truth + words        -> texts with the truth of every claim
    listing_seen        a plan                           -> earlier and later pictures of the same cards
    listing_fill        a catalogue                      -> thousands of sightings in it
    listing_table       listings with their truth        -> the stage's cells

A catalogue that doubts itself:
    doubt_run           a table with its pictures        -> wrong pictures told, right ones doubted

Nothing here is needed to use platekin. It needs the extra `evaluate` (scikit-learn, matplotlib).
"""
