"""Logs in processes of their own: killed at each step that writes, or many at once.

Run as a script, so that the processes are forked from one without threads:
python forked.py kill KIND FOLDER, or python forked.py 2,8 KIND FOLDER.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, redirect_stdout
from io import StringIO
from itertools import count
from pathlib import Path
from shutil import copytree
from typing import Any

from record_examples import MAKERS, VISIT, Clinic

from retreat.cli import main
from retreat.record import log_visit, undo
from retreat.record.entry import Tables
from retreat.record.judging import Judged
from retreat.record.sqlite_file import checksum_of

WRITES = {"os.rename", "os.remove", "os.chmod", "os.truncate"}
PARTS_OF_COMMIT = 5  # of the time a commit takes; kills are spread over twice that time


def log(clinic: Clinic) -> None:
    """The command itself, in this process."""
    options = [text for name, value in VISIT.items() for text in ("--" + name.replace("_", "-"), str(value))]
    sys.argv = ["retreat", "log", str(clinic.visits), "--cases", str(clinic.cases), *options]
    try:
        with redirect_stdout(StringIO()):
            main()
    except SystemExit as stop:
        if stop.code:
            raise RuntimeError("the command failed") from None


def take_back(clinic: Clinic) -> None:
    """Undo of a visit logged before."""
    undo(clinic.visits)


def die() -> None:
    """As if the power had gone."""
    os.kill(os.getpid(), signal.SIGKILL)


def in_child(action: Callable[[], None]) -> int:
    """Wait status of a process that does this."""
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    try:
        action()
        if signal.getitimer(signal.ITIMER_REAL)[0]:
            signal.pause()  # killed just after the last step
    except BaseException as error:
        print(repr(error), file=sys.stderr)
        os._exit(3)
    os._exit(0)


def before_write(step: int, folder: Path) -> None:
    """Kill this process before its write of that number: a file opened to write, renamed, removed or made open."""
    steps = count()

    def watch(event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open" and isinstance(arguments[0], str):
            writes = bool(arguments[2] & (os.O_WRONLY | os.O_RDWR))
        else:
            writes = event in WRITES
        if writes and str(folder) in str(arguments[0]) and next(steps) == step:
            die()

    sys.addaudithook(watch)


def within_write(step: int, folder: Path) -> None:
    """Kill this process once half of its file of that number has been written."""
    steps, real = count(), os.fsync

    def torn(descriptor: int) -> None:
        if next(steps) == step:
            size = os.fstat(descriptor).st_size
            if not os.path.isdir(f"/proc/self/fd/{descriptor}"):
                os.ftruncate(descriptor, size // 2)
            die()
        real(descriptor)

    os.fsync = torn


def at_statement(step: int, folder: Path) -> None:
    """Kill this process before its statement of that number, counted from the first that changes the tables."""
    steps = count()
    has_begun = False

    def watch(statement: str) -> None:
        nonlocal has_begun
        has_begun = has_begun or statement.startswith(("INSERT", "DELETE", "UPDATE"))
        if has_begun and next(steps) == step:
            die()

    traced(watch)


def within_commit(step: int, folder: Path) -> None:
    """Kill this process some parts of the time of a commit after that commit began."""

    def watch(statement: str) -> None:
        if statement == "COMMIT" and step < 2 * PARTS_OF_COMMIT:
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.setitimer(signal.ITIMER_REAL, max(SECONDS_OF_COMMIT[0] * step / PARTS_OF_COMMIT, 1e-6))

    traced(watch)


def measure_commit(path: Path) -> None:
    """How long a small commit takes on this machine."""
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        for statement in ("CREATE TABLE a (b)", "BEGIN IMMEDIATE", "INSERT INTO a VALUES (1)", "COMMIT"):
            start = time.perf_counter()
            database.execute(statement)
        SECONDS_OF_COMMIT.append(time.perf_counter() - start)


SECONDS_OF_COMMIT: list[float] = []
REAL_CONNECT = sqlite3.connect


def traced(watch: Callable[[str], None]) -> None:
    """Show every statement of this process to a function before it is run."""

    def connect(*arguments: Any, **named: Any) -> sqlite3.Connection:
        connection = REAL_CONNECT(*arguments, **named)
        connection.set_trace_callback(watch)
        return connection

    sqlite3.connect = connect  # type: ignore[assignment]


def judged_once() -> None:
    """Judge the same tables once: the processes differ in where they are killed, not in what they find."""
    known: dict[str, Judged] = {}
    judge = Judged.of

    def of(tables: Tables) -> Judged:
        key = checksum_of(tables)
        if key not in known:
            known[key] = judge(tables)
        return known[key]

    Judged.of = of  # type: ignore[method-assign]


def killed(
    action: Callable[[Clinic], None], hook: Callable[[int, Path], None], model: Clinic, folder: Path
) -> Iterator[str]:
    """Folders in which a process was killed, one for each step, until one ends by itself."""
    for step in count():
        here = folder / f"{hook.__name__}_{step}"
        copytree(model.visits.parent, here)

        def run(step: int = step, here: Path = here) -> None:
            hook(step, here)
            action(Clinic(here / model.visits.name, here / model.cases.name))

        status = in_child(run)
        if os.WIFEXITED(status):
            if os.WEXITSTATUS(status):
                raise RuntimeError(f"{here}: exit {os.WEXITSTATUS(status)}")
            return
        yield str(here)


def killed_everywhere(kind: str, folder: Path) -> dict[str, list[str]]:
    """Folders in which a log, and an undo, was killed, at each of its steps."""
    judged_once()
    measure_commit(folder / "commit.sqlite")
    found = {}
    model = MAKERS[kind](folder / "model")
    for job, action, prepare in (("log", log, take_back), ("undo", take_back, log)):
        if job == "log":
            log(model)  # what the processes share is loaded and judged before they part
        prepare(model)
        into = folder / job
        into.mkdir()
        found[job] = [here for hook in HOOKS[kind] for here in killed(action, hook, model, into)]
    return found


def at_once(kind: str, writers: int, folder: Path) -> None:
    """So many processes that each log the next session of the same case."""
    clinic = MAKERS[kind](folder)
    children = []
    for _ in range(writers):
        child = os.fork()
        if not child:
            try:
                log_visit(
                    clinic.visits, clinic.cases, case="m2c8w5rd", pulses=os.getpid() % 5000, patience=60
                )
            except BaseException as error:
                print(repr(error), file=sys.stderr)
                os._exit(3)
            os._exit(0)
        children.append(child)
    for child in children:
        if os.waitpid(child, 0)[1]:
            raise RuntimeError("a writer failed")


HOOKS = {
    "csv": (before_write, within_write),
    "sqlite": (before_write, at_statement, within_commit),
}

if __name__ == "__main__":
    job, kind, folder = sys.argv[1], sys.argv[2], Path(sys.argv[3])
    if job == "kill":
        print(json.dumps(killed_everywhere(kind, folder)))
    else:
        for number in job.split(","):
            at_once(kind, int(number), folder / number)
