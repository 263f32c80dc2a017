"""Many photos at once: worker processes of this machine, or a cluster of many."""
