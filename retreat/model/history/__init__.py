"""What the sessions of a course showed, and how a model takes it into its forecast; numpy alone."""

from retreat.model.history.part import History
from retreat.model.history.records import Records, read_records

__all__ = ["History", "Records", "read_records"]
