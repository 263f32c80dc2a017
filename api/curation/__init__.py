"""A catalogue that grows: finds, and decisions on them and on records.

finds              listed, shown, proposed
decisions          the log: listed, shown, added to
decision_requests  the shapes of decisions that can be asked for, and how each is carried out
preconditions      Idempotency-Key and If-Match
shapes             of finds and of the log's entries
"""
