"""The command group: each command in a module of its own, imported only when it is called or listed."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from typing import Any

import click

from retreat.errors import Fault, RetreatError

# in the order of the help; the name is also the module
COMMANDS = (
    "demo",
    "check",
    "log",
    "keep",
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

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command named first; an unknown name is refused with the nearest."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            from retreat.cli.meant import did_you_mean

            meant = did_you_mean(args[0], COMMANDS).capitalize()
            raise click.UsageError(f"{error.message} {meant}".rstrip(), ctx=ctx) from None

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a fault of an argument names its option, and what was probably meant."""
        try:
            return super().invoke(ctx)
        except RetreatError as error:
            command = self.get_command(ctx, ctx.invoked_subcommand or "")
            flags = {} if command is None else _flags(command)
            raise type(error)(_told(error, fault, flags) for fault in error.faults) from None


def _told(error: RetreatError, fault: Fault, flags: dict[str, str]) -> Fault:
    """A fault as the command line tells it: by its option, the nearest allowed word, the kind of a wrong file."""
    from retreat.cli.given import told_apart
    from retreat.cli.meant import with_nearest

    if fault.row is not None:
        return fault
    if fault.where in flags:
        return with_nearest(replace(fault, where=flags[fault.where]))
    return with_nearest(told_apart(error, fault))


def _flags(command: click.Command) -> dict[str, str]:
    """Names of arguments in the library, and the options that stand for them; those of commands below it too."""
    below = command.commands.values() if isinstance(command, click.Group) else ()
    options = {name: option for one in below for name, option in _flags(one).items()}
    options |= {p.name or "": p.opts[0] for p in command.params if isinstance(p, click.Option)}
    return options | ({"done": options["sessions"]} if "sessions" in options else {})


@click.group(cls=LateGroup)
@click.version_option(package_name="retreat", prog_name="retreat")
def app() -> None:
    """How many laser sessions an eye will need, from a clinic's own cases.

    Counselling support from a clinic's own cases: not a decision to treat and not a promise.
    Each command has its own --help with an example.
    """
