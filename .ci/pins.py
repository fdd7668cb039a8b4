"""Rewrite the exact versions in pyproject.toml from what is installed: no hosts, one line a package.

Run ``uv lock --upgrade && uv sync`` first to move to the newest versions, then this, then the tests.
"""

from __future__ import annotations

import re
from importlib.metadata import distributions
from pathlib import Path

PROJECT = Path(__file__).parent.parent / "pyproject.toml"


def main() -> None:
    """Replace the constraint-dependencies block."""
    found = {d.metadata["Name"].lower().replace("_", "-"): d.version for d in distributions()}
    lines = [f'    "{name}=={found[name]}",' for name in sorted(found) if name not in ("retreat", "pip")]
    block = "constraint-dependencies = [\n" + "\n".join(lines) + "\n]"
    text = PROJECT.read_text(encoding="utf-8")
    PROJECT.write_text(
        re.sub(r"constraint-dependencies = \[.*?\n\]", block, text, flags=re.S), encoding="utf-8"
    )


if __name__ == "__main__":
    main()
