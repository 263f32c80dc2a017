"""What makes the weights and coefficients again, from photographs; each file here is also a command of `scripts/`."""
