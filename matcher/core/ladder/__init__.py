"""The ladder: one file a question, asked in this order.

    pose     one negative, or two exposures?
    crop     the same window of it?
    caption  the same words?
    copy     the very same physical card?

`climb` knows which references are asked, and how far. Each rung measures (`agreement` is their common ruler),
`confidence` turns measurements into calibrated probabilities, `outcome` decides where the answer stops.
"""
