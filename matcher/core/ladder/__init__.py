"""The ladder: one file a question, asked in this order.

    pose     one negative, or two exposures?
    crop     the same window of it?
    caption  the same words?
    mark     the same issuer's mark, in form and place?
    copy     the very same physical card?

`verification` knows which references are asked about what, and hands each rung a `registered` pair. The rungs measure
(`movement`, `local_ncc`, `ink_correlation`, `change_detector` and `letters` are their rulers), `calibration` turns
measurements into probabilities. `words` says what ink and reading tell together, `picture_round` whether a mark that is
gone may be hidden. `foreign_colour` finds what lies
upon a print by its colour and keeps it from the rulers; `damage` and `damage_shape` name what lies upon a card or is
lost from it: facts that decide nothing. `pose_ranking` says which pose the card shows (`expectation`: what is
expected of it before pictures are compared; `fusion`: several references of one pose; `head_to_head`: poses against
each other), `standing` does so for every rung, and `decision` where the answer stops. `settings` holds every number,
with `picture_settings` and `words_settings`.
"""
