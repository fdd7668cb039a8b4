"""Files of a clinic: the same bytes for the same clinic, written beside their place, then moved into it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from synthetic import about
from synthetic.checking import ScenarioError

if TYPE_CHECKING:
    from synthetic.clinic import Clinic


def csv_text(columns: Mapping[str, Sequence[str]]) -> str:
    r"""Return columns of text as CSV; no cell may need quotes.

    Examples
    --------
    >>> csv_text({"case": ["b2"], "sessions": ["1"]})
    'case,sessions\nb2,1\n'
    """
    lines = [",".join(columns), *map(",".join, zip(*columns.values(), strict=True))]
    return "\n".join(lines) + "\n"


def truth_text(truth: dict[str, np.ndarray]) -> str:
    """Return the truth as CSV, chances cut (not rounded) to six decimals so that no sum exceeds 1."""
    columns = {
        name: values.tolist()
        if name == "case"
        else [f"{value:.6f}" for value in (np.floor(values * 1e6) / 1e6)]
        for name, values in truth.items()
    }
    return csv_text(columns)


def write(clinic: Clinic, folder: Path) -> list[Path]:
    """Write the files of a clinic into a folder, all or nothing; see `Clinic.write`."""
    files = {"cases.csv": csv_text(clinic.cases), "visits.csv": csv_text(clinic.visits)}
    if clinic.truth:
        files["truth.csv"] = truth_text(clinic.truth)
    files["ABOUT.txt"] = about.as_text(clinic.about)
    new_folders = [place for place in (folder, *folder.parents) if not place.exists()]
    beside: list[Path] = []
    try:
        for name in files:
            if (folder / name).is_dir():
                raise IsADirectoryError(0, f"{name} is a folder there")
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            beside.append(folder / f".{name}.partial")
            beside[-1].write_bytes(text.encode("utf-8"))
        for name, path in zip(files, beside, strict=True):
            os.replace(path, folder / name)
        if not clinic.truth:
            (folder / "truth.csv").unlink(missing_ok=True)
    except OSError as error:
        raise ScenarioError(f"folder {folder}: cannot be written to ({error.strerror})") from error
    finally:
        for path in beside:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        for place in new_folders:  # deepest first; those that hold the files stay
            with contextlib.suppress(OSError):
                place.rmdir()
    return [folder / name for name in files]
