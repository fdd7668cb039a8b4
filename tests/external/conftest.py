"""The simulated courses live with the tests of the fitting methods."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "fitting"))
