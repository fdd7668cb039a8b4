"""The command group: each command in a module of its own, imported only when it is called or listed."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from typing import Any

import click

from retreat.errors import RetreatError

# in the order of the help; the name is also the module
COMMANDS = (
    "demo",
    "check",
    "template",
    "published",
    "fit",
    "forecast",
    "sheet",
    "validate",
    "report",
    "elicit",
    "update",
    "plan",
)


class LateGroup(click.Group):
    """A group that imports a command's module on first use, so that one command does not pay for the others."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of this name; None if there is none."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"retreat.cli.{cmd_name}").command
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a fault of an argument names the option it was given by."""
        try:
            return super().invoke(ctx)
        except RetreatError as error:
            command = self.get_command(ctx, ctx.invoked_subcommand or "")
            flags = {} if command is None else _flags(command)
            faults = [
                fault if fault.row is not None else replace(fault, where=flags.get(fault.where, fault.where))
                for fault in error.faults
            ]
            raise type(error)(faults) from None


def _flags(command: click.Command) -> dict[str, str]:
    """Names of arguments in the library, and the options that stand for them."""
    options = {p.name or "": p.opts[0] for p in command.params if isinstance(p, click.Option)}
    return options | ({"done": options["sessions"]} if "sessions" in options else {})


@click.group(cls=LateGroup)
@click.version_option(package_name="retreat", prog_name="retreat")
def app() -> None:
    """How many laser sessions an eye will need, from a clinic's own cases.

    Counselling support from a clinic's own cases: not a decision to treat and not a promise.
    Each command has its own --help with an example.
    """
