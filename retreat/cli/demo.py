"""``retreat demo``: everything from nothing, on an invented clinic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from retreat.cli.options import FILE, seed_option

if TYPE_CHECKING:
    from retreat.model import Model

# eyes described for the sheets: file name, words, columns
_EYES: tuple[tuple[str, str, dict[str, Any]], ...] = (
    (
        "sheet-ring.html",
        "Counselling sheet before the first session: a middle-sized ring, cornea never operated on.",
        {
            "opacity": "ring",
            "size_mm": 2.0,
            "zone": "middle",
            "cornea": "none",
            "lens": "natural",
            "age": 62,
        },
    ),
    (
        "sheet-cloud.html",
        "The same for a large, deep cloud after corneal surgery: the hard case.",
        {
            "opacity": "cloud",
            "size_mm": 4.0,
            "lens_gap_mm": 11.0,
            "retina_gap_mm": 5.0,
            "cornea": "myopic_ablation",
            "lens": "natural",
            "age": 48,
        },
    ),
    (
        "sheet-strand-after-2.html",
        "During a course: a strand that has had two sessions.",
        {
            "opacity": "strand",
            "size_mm": 3.0,
            "zone": "middle",
            "cornea": "none",
            "lens": "monofocal",
            "sessions": 2,
        },
    ),
)
_BEFORE_ANY_CASE = "sheet-before-any-case.html"


@click.command(epilog="Example: retreat demo --out demo")
@click.option("--out", type=FILE, default=Path("demo"), show_default=True, help="Folder to write into.")
@click.option(
    "--scenario",
    default="established",
    show_default=True,
    help="Invented clinic: small, established, registry.",
)
@seed_option
def command(out: Path, scenario: str, seed: int) -> None:
    """Invent a clinic, check its tables, fit, validate, write sheets and a plan: the whole job in a folder."""
    from tempfile import TemporaryDirectory

    import retreat
    from retreat.cli import demo_course, demo_plan
    from retreat.cli.folders import made
    from retreat.cli.progress import counting, working
    from retreat.cli.validate import write_report
    from retreat.tables import check_file

    made(out)
    # made whole in a folder beside, then moved: an interrupted run leaves nothing behind
    with TemporaryDirectory(prefix=".making-", dir=out) as name:
        making = Path(name)
        with working("inventing a clinic"):
            _invent(scenario, seed, making)
        print(f"tables    {check_file(making / 'cases.csv', making / 'visits.csv').verdict}")
        cases = retreat.read_cases(making / "cases.csv")
        with working("fitting"):
            model = retreat.fit(cases, "core", seed=seed)
        print(f"fit       {model.card.title}: {model.card.n_cases} cases, model {model.model_id}")
        with counting("validating") as progress:
            report = retreat.validate(cases, "core", seed=seed, progress=progress)
        write_report([report], making)
        model = report.stamp(model)
        model.save(making / "clinic.retreat")
        print(f"validated {report.scheme}: {report.verdict.standing}; see calibration.html")
        _write_sheets(model, making)
        visits = retreat.read_visits(making / "visits.csv", cases)
        with working("looking at courses under way"):
            course = demo_course.write_course(cases, visits, making, seed=seed)
        with working("weighing published averages"):
            _write_published(seed, making)
        with working("looking at the priors"):
            _write_priors(cases, seed, making)
        _write_forecast(model, cases, making)
        with working("planning"):
            headline = demo_plan.write_plan(model, cases, visits, making, scenario=scenario, seed=seed)
        _write_index(model, making)
        for file in sorted(making.iterdir()):
            file.replace(out / file.name)
    print(f"sheets    {len(_EYES)} described eyes")
    print(f"course    {course}")
    print(f"plan      {headline}")
    print(model.card.cautions[0])
    print(f"open {out / 'index.html'}")


def _invent(scenario: str, seed: int, out: Path) -> None:
    from retreat.errors import Fault, TableError

    try:
        import synthetic  # stands beside the package in a clone, never in the wheel
    except ModuleNotFoundError:
        raise TableError(
            Fault(
                "demo",
                "the invented clinic is not installed",
                fix="run the demo from a clone of the repository",
            )
        ) from None
    known = synthetic.names()
    if scenario not in known and not scenario.endswith(".toml"):
        raise TableError(Fault("scenario", repr(scenario), ", ".join(known)))
    try:
        clinic = synthetic.make(scenario, seed=seed, truth=False)
    except ValueError as error:
        raise TableError(Fault("--scenario", str(error))) from None
    clinic.write(out)


def _write_sheets(model: Model, out: Path) -> None:
    from datetime import date

    from retreat.pages.html import render_sheet, write_page
    from retreat.pages.sheet import build_sheet

    for name, _, eye in _EYES:
        columns = {column: [value] for column, value in eye.items()}
        done = columns.pop("sessions", [0])[0]
        sheet = build_sheet(
            model, columns, done=done, date=date.today().isoformat(), practice="An invented clinic"
        )
        write_page(render_sheet(sheet), out / name)


def _write_published(seed: int, out: Path) -> None:
    """The first sheet again, from published averages: what a clinic without a case of its own can say."""
    from datetime import date

    import retreat
    from retreat.pages.html import render_sheet, write_page
    from retreat.pages.sheet import build_sheet

    model = retreat.published(seed=seed)
    model.save(out / "published.retreat")
    columns = {column: [value] for column, value in _EYES[0][2].items()}
    sheet = build_sheet(model, columns, done=0, date=date.today().isoformat(), practice="An invented clinic")
    write_page(render_sheet(sheet), out / _BEFORE_ANY_CASE)


def _write_priors(cases: Any, seed: int, out: Path) -> None:
    import retreat
    from retreat.pages.html import write_page
    from retreat.pages.priors import render_priors

    write_page(render_priors(retreat.prior_report("core", cases=cases, seed=seed)), out / "priors.html")


def _write_forecast(model: Model, cases: Any, out: Path) -> None:
    from retreat.cli.open_cases import forecast_open
    from retreat.tables import write_atomically

    table = forecast_open(model, cases, horizon=8)[0].table()
    write_atomically(out / "forecast.csv", table.round(6).to_csv(index=False, lineterminator="\n"))


def _write_index(model: Model, out: Path) -> None:
    from retreat.cli import demo_course
    from retreat.cli.demo_plan import links
    from retreat.pages.html import write_page
    from retreat.pages.index import render_groups
    from retreat.pages.report import Link

    sheets = [
        *[Link(name, name.removesuffix(".html").replace("-", " "), words) for name, words, _ in _EYES],
        Link(
            _BEFORE_ANY_CASE,
            "sheet before any case",
            "The first sheet as a clinic without a case of its own could give it: from published averages.",
        ),
        *demo_course.links(out),
        Link("forecast.csv", "forecast", "Every open case, session by session, given what it has had."),
    ]
    evidence = [
        Link(
            "calibration.html",
            "calibration",
            "Can the numbers be trusted? Predicted against observed on unseen patients.",
        ),
        Link("calibration.json", "calibration, every number", "The same for a program."),
        Link("measures.csv", "measures", "The measures as a table."),
        Link("priors.html", "priors", "What the model took for likely before it saw a case, and after."),
    ]
    files = [
        Link("cases.csv", "cases", "The invented case table."),
        Link("visits.csv", "visits", "The invented visit table."),
        Link(
            "ABOUT.txt",
            "about the invention",
            "What is invented, and what is held against published figures.",
        ),
        Link(
            "clinic.retreat", "fitted model", "Load it with retreat.load, or write sheets with retreat sheet."
        ),
        Link(
            "landmark.retreat",
            "model of courses under way",
            "The same cases with what their sessions showed, for retreat forecast and sheet with --visits.",
        ),
        Link(
            "published.retreat",
            "model of published averages",
            "To start from; retreat update makes it the clinic's own.",
        ),
    ]
    groups = {
        "For the ophthalmologist": sheets,
        "For the practice manager": links(),
        "For the researcher": evidence,
        "What it was made from": files,
    }
    intro = [
        "Everything here was made from nothing by one command: an invented clinic, its check, a fitted model, its "
        "calibration on unseen patients, counselling sheets, and a plan of its slots."
    ]
    page = render_groups("The demonstration", intro, groups, banners=model.card.cautions)
    write_page(page, out / "index.html")
