"""The kinds of calibration curves: each a formula, its slope and its source, as pure functions of columns.

`polynomials` and `table` are what a laboratory fits; `published` and `mixing` (with `water`) come from the literature;
`kinds` picks the function that belongs to a curve, `formula` writes it out with its numbers. A figure never depends on
the batch that it was computed in: only sums, products, quotients and square roots, which IEEE 754 rounds one way, and
powers by `powers`.
"""
