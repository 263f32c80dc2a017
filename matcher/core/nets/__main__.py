"""After training: take the files of weights for what is to be shipped."""

from matcher.core.nets import write_sums

write_sums()
