"""Where the product is measured, fitted and trained; RESULTS.md has the figures.

    synthesis    negatives            -> invented cards, printed, aged, scanned and photographed in code
    evaluation   photographs          -> how well it works, as one table
    training     photographs          -> weights and coefficients
    benchmarks   photographs          -> how fast it is, as ratios measured in one run
    campaigns    a catalogue, files   -> the product mistreated on purpose, and what became of it
    manifests    pictures             -> what each of them may serve for: to train, to fit, to scale, to report
    processes    a process             -> the memory that it and its descendants hold
    measures     scores and truths    -> AUROC, Brier, calibration error, intervals

Needed by nobody who uses platekin, but for `platekin rehearse`, which refits the confidence on one's own catalogue.
"""
