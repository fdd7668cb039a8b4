"""Fitted models: what they hold, how they forecast, how they are saved; numpy alone."""

from retreat.model.archive import load
from retreat.model.card import ModelCard
from retreat.model.casemix import CaseMix
from retreat.model.fitted import Model
from retreat.model.support import CaseSupport, Support

__all__ = ["CaseMix", "CaseSupport", "Model", "ModelCard", "Support", "load"]
