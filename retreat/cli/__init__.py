"""The command line: thin calls into the library. Exit codes: 0 ok, 1 data or model refused, 2 wrong usage."""

from __future__ import annotations

import sys

from retreat.errors import RetreatError

REFUSED = 1
INTERRUPTED = 130


def main() -> None:
    """Run the command line; errors of the package become a table of faults and exit code 1."""
    from click import Abort, ClickException

    from retreat.cli.app import app

    try:
        sys.exit(app.main(prog_name="retreat", standalone_mode=False) or 0)
    except RetreatError as error:
        from retreat.cli.show import show_faults

        show_faults(error.faults)
        sys.exit(REFUSED)
    except ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except OSError as error:
        print(f"cannot write the output: {error.strerror or error}", file=sys.stderr)
        sys.exit(REFUSED)
    except (KeyboardInterrupt, Abort):
        print("interrupted; nothing was written half", file=sys.stderr)
        sys.exit(INTERRUPTED)
