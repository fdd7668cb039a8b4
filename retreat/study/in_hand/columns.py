"""How each coded column is worked out by hand, in plain algebra and in LaTeX."""

from __future__ import annotations

from dataclasses import dataclass

from retreat.coding import Coding, Term
from retreat.features import FEATURES

# features that a person works out from columns of the table, in words
_BY_HAND = {
    "depth": "lens gap / (lens gap + retina gap) where both are measured; else the middle of the third: anterior "
    "1/6, middle 1/2, posterior 5/6. With one gap and the axial length the package works it out",
    "corneal_surgery": "yes for any corneal refractive surgery, else no",
    "age": "in years; above 89 take 90",
}


@dataclass(frozen=True)
class Column:
    """One coded column.

    Parameters
    ----------
    symbol : str
        x1, x2, ...
    name : str
        Its name in the model.
    plain, latex : str
        What it equals.
    """

    symbol: str
    name: str
    plain: str
    latex: str


def columns_by_hand(coding: Coding) -> tuple[Column, ...]:
    """Each coded column with its centre, scale or knots written out.

    Examples
    --------
    >>> from retreat.coding import learn
    >>> coding = learn([Term(("size_mm",), "log", centre=2.0)], {"size_mm": [1.0, 4.0]})
    >>> columns_by_hand(coding)[0].plain
    'ln(size_mm / 2)'
    """
    found: list[Column] = []
    names = coding.names
    blocks: dict[str, list[str]] = {}  # symbols of the columns of each feature's own term
    for term, knots in zip(coding.terms, coding.knots, strict=True):
        if term.form == "interaction":
            left, right = (blocks[name] for name in term.features)
            pairs = [(f"{a} * {b}", f"{_symbol(a)} {_symbol(b)}") for a in left for b in right]
        else:
            pairs = _single(term, knots)
        symbols = []
        for plain, latex in pairs:
            symbol = f"x{len(found) + 1}"
            found.append(Column(symbol, names[len(found)], plain, latex))
            symbols.append(symbol)
        if term.form != "interaction":
            blocks[term.features[0]] = symbols
    return tuple(found)


def feature_words(name: str) -> str:
    """What a feature is, its unit, and how a person gets it."""
    feature = FEATURES[name]
    unit = f", {feature.unit}" if feature.unit else ""
    if name in _BY_HAND:
        return f"{feature.meaning}{unit}: {_BY_HAND[name]}"
    if feature.needs != (name,):
        return (
            f"{feature.meaning}{unit}: worked out by the package from {', '.join(feature.needs)}, not by hand"
        )
    return f"{feature.meaning}{unit}"


def _single(term: Term, knots: tuple[float, ...]) -> list[tuple[str, str]]:
    name, text = term.features[0], _text(term.features[0])
    if term.form == "category":
        return [
            (f"1 if {name} is {level}, else 0", rf"[{text} = \text{{{_escaped(level)}}}]")
            for level in term.levels
            if level != term.reference
        ]
    if term.form == "log":
        return [(f"ln({name} / {term.centre:g})", rf"\ln\left({text} / {term.centre:g}\right)")]
    plain, latex = _shifted(name, term), _shifted(text, term)
    if term.form == "linear":
        return [(plain, latex)]
    return [(plain, latex), *(_curved(plain, latex, knots, j) for j in range(len(knots) - 2))]


def _shifted(name: str, term: Term) -> str:
    inner = name
    if term.centre:
        sign = "-" if term.centre > 0 else "+"
        inner = f"{name} {sign} {abs(term.centre):g}"
    return f"({inner}) / {term.scale:g}" if term.scale != 1 else inner


def _curved(plain: str, latex: str, knots: tuple[float, ...], j: int) -> tuple[str, str]:
    """One curved column of a restricted cubic spline (Harrell 2015, eq. 2.25), its numbers worked out."""
    last, before, inner = knots[-1], knots[-2], knots[j]
    width = last - before
    down, up = (last - inner) / width, (before - inner) / width
    square = (last - knots[0]) ** 2
    at = {name: f"{value:.8g}" for name, value in (("inner", inner), ("before", before), ("last", last))}
    sign_before = "-" if down >= 0 else "+"
    sign_last = "+" if up >= 0 else "-"
    text = (
        f"(pos({plain} - {at['inner']})^3 {sign_before} {abs(down):.8g} pos({plain} - {at['before']})^3 "
        f"{sign_last} {abs(up):.8g} pos({plain} - {at['last']})^3) / {square:.8g}"
    )
    cube = r"\left({} - {}\right)_+^3"
    formula = (
        rf"\frac{{{cube.format(latex, at['inner'])} {sign_before} {abs(down):.8g} "
        rf"{cube.format(latex, at['before'])} {sign_last} {abs(up):.8g} "
        rf"{cube.format(latex, at['last'])}}}{{{square:.8g}}}"
    )
    return text.replace("- -", "+ "), formula.replace("- -", "+ ")


def _symbol(symbol: str) -> str:
    return f"x_{{{symbol[1:]}}}"


def _text(name: str) -> str:
    return rf"\mathrm{{{_escaped(name)}}}"


def _escaped(text: str) -> str:
    return text.replace("_", r"\_")
