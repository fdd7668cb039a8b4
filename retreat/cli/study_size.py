"""``retreat report size``: how many eyes a study needs, before it begins."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from retreat.cli.options import FILE, json_option, model_option, seed_option

if TYPE_CHECKING:
    from retreat.study.size import Effect, EndSize, Scenario, StudySize

# arguments as faults of the library name them
_OPTIONS = {
    "eyes": "--eyes",
    "studies": "--studies",
    "horizon": "--by-session",
    "penalty": "--penalty",
    "effect": "--effect",
    "effect, end": "--on",
    "odds_ratio": "--odds-ratio",
    "typical": "--typical",
    "eyes_per_patient": "--eyes-per-patient",
    "lost": "--lost",
    "most_sessions": "--most-sessions",
    "seed": "--seed",
}
_HINTS = {
    "--eyes": "name sizes in this range, such as 100,200,400",
    "--studies": "leave it out for 200",
    "--by-session": "ask for an earlier session, or have courses followed for longer by --most-sessions",
    "--penalty": "leave it out for the priors of the definition",
    "--effect": "name one of these columns",
    "--on": "name one of these ends",
    "--odds-ratio": "0.5 halves the odds, 2 doubles them",
    "--typical": "name a feature of the definition with a value it may have",
    "--eyes-per-patient": "1 where each patient comes with one eye, 2 where all come with both",
    "--lost": "give a share of 1, such as 0.05 for 5 of 100 eyes",
    "--most-sessions": "leave it out for 6",
    "--seed": "leave it out for 1",
}


@click.command(
    epilog="Example: retreat report size --model core --effect corneal_surgery=yes --on relieved --odds-ratio 0.5 "
    "--out size"
)
@model_option
@click.option("--truth", type=FILE, help="Saved model that is taken as true, instead of the priors.")
@click.option(
    "--effects",
    type=click.Choice(["mean", "drawn"]),
    help="One truth, or each study meets a draw.  [default: drawn for priors, mean for a saved model]",
)
@click.option(
    "--mix", type=FILE, help="TOML file with shares of levels, or numbers that 5, 50, 95 of 100 lie below."
)
@click.option("--eyes", help="Sizes of study, such as 100,200,400.  [default: 100 to 800]")
@click.option("--studies", default=200, show_default=True, help="Simulated studies of each size, 20 to 5000.")
@click.option("--by-session", "horizon", default=2, show_default=True, help="Chances by this session.")
@click.option(
    "--penalty",
    default="prior",
    show_default=True,
    help="prior, firth, or a number: 0 is maximum likelihood.",
)
@click.option("--effect", "column", help="Column whose effect is to be found, such as corneal_surgery=yes.")
@click.option("--on", "end", default="relieved", show_default=True, help="End of that effect.")
@click.option("--odds-ratio", type=float, help="Size of that effect.")
@click.option(
    "--typical", multiple=True, help="Feature of the typical eye, such as size_mm=3. May be repeated."
)
@click.option("--eyes-per-patient", default=1.2, show_default=True, help="Eyes over patients, 1 to 2.")
@click.option("--lost", default=0.05, show_default=True, help="Share of eyes lost after each session.")
@click.option("--most-sessions", default=6, show_default=True, help="Courses are followed so far.")
@click.option(
    "--out",
    type=FILE,
    help="Folder to write: sentences for the protocol, figure (SVG, PNG), tables (CSV), numbers (JSON).",
)
@seed_option
@json_option
def size(
    definition: str,
    truth: Path | None,
    effects: str | None,
    mix: Path | None,
    eyes: str | None,
    studies: int,
    horizon: int,
    penalty: str,
    column: str | None,
    end: str,
    odds_ratio: float | None,
    typical: tuple[str, ...],
    eyes_per_patient: float,
    lost: float,
    most_sessions: int,
    out: Path | None,
    seed: int,
    as_json: bool,
) -> None:
    """Say how many eyes a study needs: closed criteria for each end, and simulated studies of several sizes.

    The simulation gives the calibration slope to expect, its spread, how precisely a typical eye's chance comes to be
    known, and the power to find an effect, each with its Monte-Carlo error, and sentences for the protocol.
    """
    from retreat.cli.progress import counting
    from retreat.cli.show import show_json
    from retreat.cli.usage import wrong_usage
    from retreat.study.size import simulate_size, size_by_end
    from retreat.study.size.folder import answer, check_size_folder, write_size
    from retreat.study.size.run import EYES, checked_sizes

    sizes = EYES if eyes is None else _sizes(eyes)
    how: dict[str, Any] = {
        "studies": studies,
        "horizon": horizon,
        "penalty": _penalty(penalty),
        "seed": seed,
    }
    # whatever would stop the work at its end is told before it
    if out is not None:
        check_size_folder(out)
    _refuse_missing(mix)
    with wrong_usage(_OPTIONS, _HINTS):
        scenario = _scenario(
            definition,
            truth,
            effects,
            mix,
            seed,
            effect=_effect(column, end, odds_ratio),
            typical=_typical(typical),
            eyes_per_patient=eyes_per_patient,
            lost=lost,
            most_sessions=most_sessions,
        )
        checked_sizes(scenario, sizes, **how)
    closed = size_by_end(scenario, horizon=horizon, seed=seed)
    with counting("simulating studies") as progress:
        found = simulate_size(scenario, eyes=sizes, progress=progress, **how)
    files = () if out is None else write_size(found, closed, out)
    if as_json:
        show_json(answer(found, closed))
        return
    _print(found, closed)
    if files:
        print(f"written: {out} ({len(files)} files); begin with {files[0]}")


def _scenario(
    definition: str, truth: Path | None, effects: str | None, mix: Path | None, seed: int, **told: Any
) -> Scenario:
    from retreat.study.size import of_definition, of_model
    from retreat.study.size.given import read_mix

    told |= {"mix": None if mix is None else read_mix(mix)}
    if effects is not None:
        told |= {"effects": effects}
    if truth is None:
        return of_definition(definition, seed=seed, **told)
    from retreat.model import load

    return of_model(load(truth), definition, **told)


def _effect(column: str | None, end: str, odds_ratio: float | None) -> Effect | None:
    from retreat.study.size import Effect

    if (column is None) != (odds_ratio is None):
        raise click.UsageError("--effect and --odds-ratio go together")
    return None if column is None or odds_ratio is None else Effect(column, end, odds_ratio)


def _refuse_missing(mix: Path | None) -> None:
    if mix is not None and not mix.is_file():
        raise click.UsageError(
            f"--mix {mix}: there is no such file; give a TOML file, such as size_mm = [1, 2, 6]"
        )


def _sizes(text: str) -> list[int]:
    try:
        return [int(one) for one in text.split(",")]
    except ValueError:
        raise click.UsageError(f"--eyes {text}: give whole numbers such as 100,200,400") from None


def _penalty(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text


def _typical(told: tuple[str, ...]) -> dict[str, str | float]:
    found: dict[str, str | float] = {}
    for one in told:
        name, sign, value = one.partition("=")
        if not sign or not value:
            raise click.UsageError(f"--typical {one}: give a feature and its value, such as size_mm=3")
        try:
            found[name.strip()] = float(value)
        except ValueError:
            found[name.strip()] = value.strip()
    return found


def _print(found: StudySize, closed: tuple[EndSize, ...]) -> None:
    from retreat.cli.show import show_table
    from retreat.study.size.wording import columns, protocol, rows, targets_told

    cautions = found.scenario.cautions
    for line in cautions:
        print(line)
    print("Closed criteria (Riley and others 2019, 2020), each end with a hazard of its own:")
    for one in closed:
        print(f"  {one.sentence(found.horizon)}")
    print(f"Simulated studies, {found.penalty}; in brackets the Monte-Carlo error:")
    show_table(columns(found), rows(found))
    print(targets_told(found))
    *sentences, last = protocol(found, closed)[len(cautions) :]
    for line in sentences:
        print(line)
    for note in found.notes:
        print(f"note: {note}")
    print(last)
