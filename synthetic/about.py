"""What goes into ABOUT.txt: the warning, how the clinic was made, what is invented and what is not."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from typing import Any

from synthetic.settings import INVENTED, SETTINGS

WARNING = (
    "THESE DATA ARE INVENTED. No patient, eye, operator or clinic in them exists. They must NEVER be used "
    "with a patient: not to decide, not to counsel, not to train a model that will. They exist to try "
    "software out."
)
ANCHORED = (
    "vitreous detachment by age: E01, ARVO abstract IOVS 2334269 (healthy eyes), used for strands and clouds",
    "vitreous detachment earlier in myopia: E06, Lin et al. 2023, Int J Ophthalmol (10-13 years)",
    "implants by age: E31, Theni study, Br J Ophthalmol; in both eyes of half: E30, Erie et al. 2022",
    "length of a ring: E50, Jonas et al. 1988, vertical diameter of the optic disc (1.92 mm, SD 0.29)",
    "axial length by refraction: O16, Atchison 2006, from memory (the spread about the line is invented)",
    "ages: two components, E09 (Singh 2016, mean 66) and E10 (means 57 to 60; Tang 2021: 46); mix invented",
    "distances kept from lens and retina: L70, Review of Optometry (2-3 mm)",
    "schematic eye: O01-O03 and O13, Escudero-Sanz and Navarro 1999; shadow: O50, similar triangles",
    "daylight pupil by age: O23, an encyclopaedia table",
    "weeks between sessions: P02, from memory (about four, one to eight); the shares are invented",
)
ANCHORED_BURDEN = (
    "cone of the laser: O32, from memory (16 degrees in air)",
    "spread of the treated zone between eyes: O40 (SD 0.67 mm)",
    "mix of adverse events: L60, Singh 2017 (seven pressure rises, two lens hits, one haemorrhage in ten)",
)
MADE_UP = (
    "sizes of strands, clouds and sheets, all depths and eccentricities (E52: nothing published was found)",
    "the number of opacities in an eye, dilated pupils (6-8 mm, from memory), the bother before treatment",
    "how dark each kind of opacity is; how the two eyes of a patient and the cases of an operator are alike",
    "loss to follow-up (L56: no published value), bookings missed and values missing",
)
MADE_UP_BURDEN = (
    "how fragments are seen, how operators hold back near lens and retina, how patients decide",
    "the size of the effect of corneal surgery: larger than optics supports, as a contact lens takes away "
    "nine tenths of the power of the front of the cornea (O44); its direction is common practice",
)
MADE_UP_KNOWN = (
    "all coefficients; visits hold pulses, energy and ratings drawn apart from the law, which has no opacity",
)


def as_text(about: dict[str, Any]) -> str:
    """Return ABOUT.txt for the record of a clinic.

    Parameters
    ----------
    about : dict
        `Clinic.about`.

    Returns
    -------
    str
        Text that ends with a newline.
    """
    burden = about["law"] == "burden"
    anchored = [*ANCHORED, *(ANCHORED_BURDEN if burden else ()), *_settings(about, anchored=True)]
    made_up = [*MADE_UP, *(MADE_UP_BURDEN if burden else MADE_UP_KNOWN), *_settings(about, anchored=False)]
    facts = {
        "Scenario": f"{about['scenario']}: {about['summary']}",
        "Law": f"{about['law']}: {about['law_in_words']}",
        "Seed": about["seed"],
        "Cases": f"{about['cases']} of {about['patients']} patients; {about['visits']} bookings",
        "Dates": f"started {about['first_start']} to {about['last_start']}; books closed {about['closed']}",
        "Sites": f"{', '.join(about['sites'])} (every code begins with invented_)",
        "Truth": f"{about['truth']['meaning']} Here: {about['truth']['error']}",
    }
    if burden:
        drawn = "Effects of operators drawn for this clinic (invented)\n" + _numbers(about["operators"])
    else:
        drawn = "Coefficients (invented)\n" + _numbers(about["coefficients"])
    blocks = [
        textwrap.fill(about["warning"], 100),
        "\n".join(_hang(f"{name:<10}", str(text)) for name, text in facts.items()),
        drawn,
        "Anchored to a published value (ids of the table of published values)\n" + _bullets(anchored),
        "Invented\n" + _bullets(made_up),
        textwrap.fill(about["warning"], 100),
    ]
    return "\n\n".join(blocks) + "\n"


def _settings(about: dict[str, Any], *, anchored: bool) -> list[str]:
    told = []
    for setting in SETTINGS:
        if about["law"] == "known" and (
            setting.section in ("burden", "truth") or setting.name.endswith("_sd")
        ):
            continue
        value = about["settings"][setting.section][setting.name]
        # A scenario that moves a published value makes it invented.
        if (setting.anchor != INVENTED and value == setting.default) is anchored:
            source = f" [{setting.anchor}]" if anchored else ""
            told.append(f"{setting.section}.{setting.name} = {value:g}: {setting.meaning}{source}")
    return told


def _hang(head: str, text: str) -> str:
    return textwrap.fill(text, 100, initial_indent=head, subsequent_indent=" " * len(head))


def _bullets(lines: Sequence[str]) -> str:
    return "\n".join(_hang("- ", line) for line in lines)


def _numbers(told: dict[str, Any]) -> str:
    short = json.loads(json.dumps(told), parse_float=lambda text: round(float(text), 4))
    return textwrap.fill(json.dumps(short), 100, break_long_words=False, break_on_hyphens=False)
