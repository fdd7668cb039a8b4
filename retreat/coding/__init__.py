"""Frozen coding of case features into numbers: settings apart from what was learned, replayed by numpy alone."""

from retreat.coding.replay import Coding, learn
from retreat.coding.spline import spline_basis, spline_knots
from retreat.coding.term import FORMS, Form, Term

__all__ = ["FORMS", "Coding", "Form", "Term", "learn", "spline_basis", "spline_knots"]
