"""Where the product is measured, fitted and trained; RESULTS.md has the figures.

synthesis draws cards and photos of them, evaluation measures on these, training fits weights and coefficients,
benchmarks compare speeds within one run.
"""
