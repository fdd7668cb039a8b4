"""A model without any case: a definition's priors informed by published averages, wide because practices differ."""

from retreat.fitting.published.model import published

__all__ = ["published"]
