"""Pages about a model in hand: equation, point chart, one page of facts, model card, reporting form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from retreat.features import Columns
from retreat.model import Model
from retreat.pages.document import Document
from retreat.study.in_hand.algebra import equation
from retreat.study.in_hand.algebra_page import equation_content
from retreat.study.in_hand.card_page import card_content
from retreat.study.in_hand.label_page import label_content
from retreat.study.in_hand.points import point_chart
from retreat.study.in_hand.points_page import points_content

if TYPE_CHECKING:
    from retreat.study.reporting.form import Form
    from retreat.validation.report import ValidationReport


def equation_page(model: Model, case: Columns | None = None) -> Document:
    """The equation in plain algebra and LaTeX, with one case worked out.

    Parameters
    ----------
    model : Model
        The model.
    case : mapping of str to array_like, optional
        Columns of the case table, one case; a usual one when not given.

    Raises
    ------
    FitError, TableError
        As :func:`retreat.study.in_hand.equation`.
    """
    return Document(equation_content(model, equation(model, case)))


def point_chart_page(
    model: Model, *, horizons: Sequence[int] = (1, 2, 3), case: Columns | None = None
) -> Document:
    """The point chart: both sheets, how to use it, the table, one example, reading errors.

    Parameters
    ----------
    model : Model
        The model.
    horizons : sequence of int, 1 to 40, rising
        Sessions to tell the chance by.
    case : mapping of str to array_like, optional
        One case to work out.

    Raises
    ------
    FitError, TableError
        As :func:`retreat.study.in_hand.point_chart`.
    """
    from retreat.pages.point_chart import point_sheets  # only a chart pays for the drawing

    chart = point_chart(model, horizons=horizons, case=case)
    return Document(points_content(chart, point_sheets(chart)))


def facts_label(
    model: Model, report: ValidationReport | None = None, answers: Mapping[str, str] | None = None
) -> Document:
    """One page of facts.

    Parameters
    ----------
    model : Model
        The model; one that failed its gates has a label that says so first.
    report : ValidationReport, optional
        Of its own recipe and cases.
    answers : mapping of str to str, optional
        To what no file can tell; see :data:`retreat.study.in_hand.label_page.QUESTIONS`.
    """
    return Document(label_content(model, report, answers))


def model_card(
    model: Model, report: ValidationReport | None = None, answers: Mapping[str, str] | None = None
) -> Document:
    """Model card; parameters as of :func:`facts_label`."""
    return Document(card_content(model, report, answers))


def form_page(form: Form) -> Document:
    """A reporting form.

    Parameters
    ----------
    form : Form
        From :func:`retreat.study.reporting.reporting_form`.
    """
    from retreat.study.reporting.page import form_content  # only a form pays for it

    return Document(form_content(form))
