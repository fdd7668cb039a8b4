"""``python -m retreat`` is the command ``retreat``."""

from retreat.cli import main

main()
