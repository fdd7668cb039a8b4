"""What goes into ABOUT.txt: the warning, how the clinic was made, what is invented and what is not."""

from __future__ import annotations

import json
from typing import Any

from synthetic.settings import SETTINGS

WARNING = (
    "THESE DATA ARE INVENTED. No patient, eye, operator or clinic in them exists. They must NEVER be used with a "
    "patient: not to decide, not to counsel, not to train a model that will. They exist to try software out."
)
ANCHORED = (
    "vitreous detachment by age: E01, ARVO abstract IOVS 2334269 (healthy eyes), applied to strands and clouds",
    "vitreous detachment earlier in myopia: E06, Lin et al. 2023, Int J Ophthalmol (10-13 years)",
    "implants by age: E31, Theni study, Br J Ophthalmol; both eyes of half the patients: E30, Erie et al. 2022",
    "length of a ring: E50, Jonas et al. 1988, vertical diameter of the optic disc (1.92 mm, SD 0.29)",
    "axial length by refraction: O16, Atchison 2006, from memory (the spread about the line is invented)",
    "ages: two components, E09 (Singh 2016, mean 66) and E10 (means 57-60; Tang 2021: 46); their mix is invented",
    "distances kept from lens and retina: L70, Review of Optometry (2-3 mm)",
    "eye: O01-O03 and O13, Escudero-Sanz and Navarro 1999; shadows: O50, similar triangles; daylight pupil: O23",
    "cone of the laser: O32, from memory (16 degrees in air)",
    "weeks between sessions: P02, from memory (about four, one to eight); the shares are invented",
    "mix of adverse events: L60, Singh 2017 (seven pressure rises, two lens hits, one haemorrhage in ten)",
)
INVENTED = (
    "sizes of strands, clouds and sheets, all depths and all eccentricities (E52: nothing published was found)",
    "the number of opacities in an eye, dilated pupils (6-8 mm, from memory), the bother before treatment",
    "how dark each kind of opacity is, how fragments are seen, how operators hold back near lens and retina",
    "the size of the effect of corneal surgery on focus: larger than optics supports, as a contact lens takes away "
    "nine tenths of the power of the corneal front (O44); the direction is common practice",
    "reasons for stopping, loss to follow-up and missing values",
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
    lines = [
        about["warning"],
        "",
        f"Scenario   {about['scenario']}: {about['summary']}",
        f"Law        {about['law']}: {about['law_in_words']}",
        f"Seed       {about['seed']}",
        f"Cases      {about['cases']} of {about['patients']} patients; visits {about['visits']}",
        f"Starts     {about['first_start']} to {about['last_start']}; books closed {about['closed']}",
        f"Sites      {', '.join(about['sites'])} (every code begins with invented_)",
        "",
        "truth.csv  " + about["truth"]["meaning"],
        "           " + about["truth"]["error"],
        "",
    ]
    if "coefficients" in about:
        lines += ["Coefficients (invented)", json.dumps(about["coefficients"], indent=1), ""]
    lines += ["Effects of operators drawn for this clinic", json.dumps(about["operators"]), ""]
    lines += ["Anchored to a published value", *(f"- {line}" for line in ANCHORED)]
    lines += [f"- {line}" for line in _settings(about, anchored=True)]
    lines += ["", "Invented", *(f"- {line}" for line in INVENTED)]
    lines += [f"- {line}" for line in _settings(about, anchored=False)]
    lines += ["", about["warning"]]
    return "\n".join(lines) + "\n"


def _settings(about: dict[str, Any], *, anchored: bool) -> list[str]:
    told = []
    for setting in SETTINGS:
        value = about["settings"][setting.section][setting.name]
        own = value != setting.default
        if setting.section == "burden" and about["law"] != "burden":
            continue
        if (setting.anchor != "invented" and not own) is anchored:
            source = f" [{setting.anchor}]" if anchored else ""
            told.append(f"{setting.section}.{setting.name} = {value:g}: {setting.meaning}{source}")
    return told
