"""A fast posterior: normals of the coefficients nested in the few spreads, corrected by importance weights."""
