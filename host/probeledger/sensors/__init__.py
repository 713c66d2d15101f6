"""Sensors beside the built-in platinum curves.

Rooms: `formulae` (thermistors and polynomials), `tabulated` (curves between table rows), `description` (curves from
TOML files), `coefficients` (alpha, delta, beta and A, B, C), `tolerance` (classes and grades), `partsheet` (what to
ask for at the parts counter), `identify`, `fitting` and `fieldpoints` (which curve fits these points).
"""
