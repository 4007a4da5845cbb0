"""What the page of a range says of its charts: titles, and what the marks mean."""

from daemon.presentation.figures import ShareUnit

NOTHING_PPM = 1e-3
"""What a search for the best scatter leaves of none."""
TITLES = {
    "Units": "Range {title}, unit by unit",
    "Long story": "Range {title} over all builds",
    "Distribution": "How the units of range {title} lie",
    "Average (EWMA)": "Range {title}, weighted average",
    "Sums (CUSUM)": "Range {title}, added up",
    "Steps (moving range)": "Range {title}, from unit to unit",
    "Within and between": "Range {title}, reel by reel",
}
BASELINE = (
    "All units are compared with {named}, not each reel with its own mean: what if "
    "nothing had changed since? Findings and holds stay as they are."
)
SCATTER = "How the units scatter"
SCATTER_MEANING = (
    "Each part is a standard deviation with its 95 % interval, by restricted maximum "
    "likelihood, of the latest run of each unit shown. The first runs of all builds: "
    "holdpoint variance"
)
WHAT_IF = "What if other units were the baseline?"
CHOOSE = (
    "On a wide screen, drag over some units on the chart. Or choose the first and the "
    "last build here. Then all units are compared with the mean and the scatter of "
    "these."
)
TOO_FEW = "There are too few units for this chart: eight that differ are needed."
THINNED = (
    "There are more units than dots: of neighbours the highest and the lowest are "
    "drawn, and each that moved or lies outside."
)
MEANINGS = {
    "Units": (
        "A dot is a unit, a triangle one that moved, its error in % of reading; a "
        "dotted line is a new reel; "
        "brackets are the error limit. The grey band is what the units' own scatter"
        " allows around the mean of each reel: three sigma, from the steps between "
        "neighbours. A reel may differ from the last by more than the band; whether"
        " it is too much is what the first page says."
    ),
    "Long story": (
        "A dot is the mean of a build, or of builds that follow each other where "
        "there are many; the thin line reaches from the lowest unit to the highest,"
        " the thick one over the means. Dates are when builds were opened. A click "
        "opens the build."
    ),
    "Distribution": (
        "Each dot is a unit, stacked where units read the same. What moved stands on "
        "what is as it was. The scale is that of the scatter; a limit outside of it"
        " is named with how far it is."
    ),
    "Average (EWMA)": (
        "Each point is the average of the units so far, the newest with a weight of"
        " 0.2, begun anew with each reel around the mean of its units. The band is "
        "where it lies while nothing drifts (2.7 sigma of the average). A diamond "
        "is outside."
    ),
    "Sums (CUSUM)": (
        "What units lie above or below the mean of their reel is added up, less an "
        "allowance of half a standard deviation. A lasting shift makes it climb. "
        "Beyond the lines, at five standard deviations, it is a diamond."
    ),
    "Steps (moving range)": (
        "Each point is the step from a unit to the next, none across a reel or a "
        "build. Steps above the line (3.27 times their mean) are diamonds."
    ),
    "Within and between": (
        "Above the mean of the units of each reel in each build, below their "
        "standard deviation, each with its 95 % interval. Ordinary reels differ in "
        "the mean; a wider interval has fewer units."
    ),
}


def meaning(chart: str, *, baseline: bool) -> str:
    """Say what the marks of a chart mean.

    >>> "the mean of each reel" in meaning("Units", baseline=True)
    False
    """
    text = MEANINGS[chart]
    if not baseline:
        return text
    for own in ("each reel", "its units", "their reel"):
        text = text.replace(f"the mean of {own}", "the mean of the baseline")
    return text


def held_against(first: str, last: str, *, what: str) -> str:
    """Say what all units are held against: from the first to the last build or unit.

    >>> held_against("PA-1003", "PA-1009", what="unit").split(",")[0]
    'All units are compared with units PA-1003 to PA-1009'
    """
    named = f"{what} {first}" if first == last else f"{what}s {first} to {last}"
    return BASELINE.format(named=named)


def scatter(s_ppm: float, unit: ShareUnit) -> str:
    """Return a standard deviation, to three digits; what is next to nothing is 0.

    >>> scatter(186.04, ShareUnit.of([186.04])), scatter(1e-5, ShareUnit.of([50.0]))
    ('0.0186 %', '0 ppm')
    """
    return f"{(s_ppm if s_ppm > NOTHING_PPM else 0.0) / unit.ppm:.3g} {unit.name}"
