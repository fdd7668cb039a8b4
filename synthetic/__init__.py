"""The invented clinic: tables, courses and the truth about them, made up for trying the library out.

It needs numpy and the standard library and shares no code with `retreat`, so that a mistake in one cannot
hide in the other. Nothing it makes may be used with a patient.
"""

from synthetic.checking import ScenarioError
from synthetic.clinic import Clinic, make
from synthetic.scenario import names

__all__ = ["Clinic", "ScenarioError", "make", "names"]
