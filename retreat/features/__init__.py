"""Features of a case, derived from its table columns by numpy alone and replayed on new cases."""

from retreat.features.catalogue import AGE_CAP, FEATURES, WIDEST_SHADOW_DEG, Feature, feature, features
from retreat.features.columns import LEVELS, MISSING_CODES, RANGES, Columns, n_cases, number, text
from retreat.features.depth import GAP_TOLERANCE_MM, ZONE_DEPTH

__all__ = [
    "AGE_CAP",
    "FEATURES",
    "GAP_TOLERANCE_MM",
    "LEVELS",
    "MISSING_CODES",
    "RANGES",
    "WIDEST_SHADOW_DEG",
    "ZONE_DEPTH",
    "Columns",
    "Feature",
    "feature",
    "features",
    "n_cases",
    "number",
    "text",
]
