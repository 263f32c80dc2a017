"""The log of decisions: append-only, each entry chained to the one before it.

From a single change to the whole:
    changes     single changes of rows: made, kept, turned round
    decisions   the log's entries, written and read
    log_file    an exported log's lines, read and found whole
    telling     what a decision changed, and what undoing it takes back, in words
    past_words  words of earlier versions, as they are called now
"""
