"""How well does it work? From any folder of photographs to one table of measures, rivals in the same run.

    negatives   folders + a file-name pattern  -> `Negative`s: which files show one sitter in one room
    windows     two printed copies             -> the true shift and scale between their windows
    plan        negatives + a seed             -> `Plan`: records to enrol, queries with their truth
    draw        `Plan`                         -> reference scans and their table, query photos
    judge       one query                      -> one row: the answer, pairs of the query with references, the rivals
    rivals      the query's face               -> what a 64-bit hash and ORB + RANSAC on every record would say
    run         all of them, resumable         -> rows.jsonl
    verdicts    a row                          -> what of it was right
    measures    scores and truths              -> AUROC, Brier, calibration error, intervals
    table       rows                           -> every cell, with its n and its bar
    plot        stated probabilities           -> the reliability plot

Nothing here is needed to use platekin. It needs the extra `evaluate` (scikit-learn, matplotlib).
"""
