"""Two faces registered on each other: `align`, with a side's `View` and the fine `registration`."""
