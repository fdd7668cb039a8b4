"""A case mix told in a file."""

from __future__ import annotations

import tomllib
from pathlib import Path

from retreat.errors import DefinitionError, Fault
from retreat.study.size.scenario import Mix


def read_mix(path: str | Path) -> Mix:
    """Features with their distributions from a TOML file.

    Shares of levels, ``lens = { natural = 0.6, monofocal = 0.4 }``, or the numbers that 5, 50 and 95 of 100 eyes lie
    below, ``age = [40, 60, 80]``.

    Parameters
    ----------
    path : str or Path
        The file; what stands in it is checked where a scenario is made.

    Raises
    ------
    DefinitionError
        If it cannot be read or is no TOML.
    """
    try:
        told = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        what = getattr(error, "strerror", None) or "not UTF-8 text"
        raise DefinitionError(Fault(str(path), f"cannot be read ({what})", "a TOML file")) from None
    except tomllib.TOMLDecodeError as error:
        raise DefinitionError(Fault(str(path), f"no TOML: {error}", "such as size_mm = [1, 2, 6]")) from None
    return {name: tuple(one) if isinstance(one, list) else one for name, one in told.items()}
