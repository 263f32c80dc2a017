"""Cards that were seen and are no references."""
