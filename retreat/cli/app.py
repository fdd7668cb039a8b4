"""The application: each command in a module of its own, imported only when it is the one called."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module

import typer

# in the order of the help; the name is also the module
COMMANDS = ("demo", "check", "template", "fit", "forecast", "sheet", "validate")

_HELP = """How many laser sessions will this eye need?

Counselling support from a clinic's own cases: not a decision to treat and not a promise.
Each command has its own --help with an example.
"""


def build(arguments: Sequence[str]) -> typer.Typer:
    """Application with the command called, or with all of them when none or an unknown one is.

    Parameters
    ----------
    arguments : sequence of str
        What follows the program's name. Building one command instead of all keeps a sheet quick.
    """
    app = typer.Typer(
        name="retreat",
        help=_HELP,
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback(invoke_without_command=False)(_root)
    called = arguments[0] if arguments and arguments[0] in COMMANDS else None
    for name in (called,) if called else COMMANDS:
        module = import_module(f"retreat.cli.{name}")
        app.command(name, epilog=module.EXAMPLE)(module.command)
    return app


def _root() -> None:
    pass


_root.__doc__ = _HELP
