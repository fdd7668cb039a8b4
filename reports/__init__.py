"""Evidence scripts on the public names only; each runs as ``python -m reports.NAME``."""
