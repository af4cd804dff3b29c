"""How the figures of a manuscript are written: the same words in text, table and figure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from examtally.reporting.engine.numbers import coefficient, percent, percent_range, points, ratio, ratio_range
from examtally.reporting.manuscript.paper import Paper, Row

TOO_FEW = "too few to estimate"
RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")
UNCORRECTED = "none"

_NAMES = {
    "lr_positive": "positive likelihood ratio",
    "lr_negative": "negative likelihood ratio",
    "ppv": "positive predictive value",
    "npv": "negative predictive value",
    "cohen_kappa": "Cohen's kappa",
    "fleiss_kappa": "Fleiss' kappa",
    "gwet_ac1": "Gwet's AC1",
    "krippendorff_alpha": "Krippendorff's alpha",
    "pabak": "prevalence-adjusted kappa",
}
_ADJUSTED = {
    UNCORRECTED: "verified «nouns» only",
    "verification": "corrected for verification bias",
    "bias_adjusted": "bias-adjusted",
    "begg_greenes": "corrected by the test's own result",
    "ipw": "weighted by the chance of verification",
    "multiple_imputation": "condition of the others imputed",
}


def measure_name(code: str) -> str:
    """A measure of accuracy or a statistic of agreement within a sentence.

    >>> measure_name("lr_positive"), measure_name("sensitivity")
    ('positive likelihood ratio', 'sensitivity')
    """
    return _NAMES.get(code, code.replace("_", " "))


def main_first(paper: Paper, lines: Iterable[Row]) -> list[Row]:
    """Rows by correction: that of the main estimate, the verified alone, then the others."""
    order = list(dict.fromkeys((paper.study.main, UNCORRECTED, *paper.study.adjustments)))
    return sorted(lines, key=lambda line: order.index(line["adjustment"]))


def leading(paper: Paper, lines: Sequence[Row], figure: str = "estimate") -> Row | None:
    """Of the rows of one figure, the main one where it has its `figure`, else the first of the others that has."""
    return next((line for line in main_first(paper, lines) if is_shown(line, figure)), None)


def is_shown(line: Row, figure: str = "estimate") -> bool:
    """Whether a row has a figure to show."""
    return (
        line[figure] is not None
        and line["flag"] not in ("too_few", "withheld")
        and line.get("display") != ("counts_only")
    )


def value_words(line: Row) -> str:
    """An estimate with its interval, or that there is none.

    >>> value_words({"measure": "sensitivity", "estimate": 0.8, "ci_low": 0.7, "ci_high": 0.9, "flag": None})
    '80% (70–90%)'
    """
    if not is_shown(line):
        return TOO_FEW
    write, limits = (ratio, ratio_range) if line["measure"] in RATIOS else (percent, percent_range)
    said = limits(line["ci_low"], line["ci_high"])
    return f"{write(line['estimate'])} ({said})" if said else write(line["estimate"])


def difference_words(line: Row) -> str:
    """A difference in points, or a ratio of ratios, with its interval.

    >>> row = {"measure": "sensitivity", "difference": -0.07, "ci_low": -0.3, "ci_high": 0.14, "flag": None}
    >>> difference_words(row)
    '−7 (−30 to +14)'
    """
    if not is_shown(line, "difference"):
        return TOO_FEW
    if line["measure"] in RATIOS:
        return f"{ratio(line['difference'])} ({ratio_range(line['ci_low'], line['ci_high'])})"
    if line["ci_low"] is None:
        return points(line["difference"])
    return f"{points(line['difference'])} ({points(line['ci_low'])} to {points(line['ci_high'])})"


def agreement_value(line: Row, least: int) -> str:
    """A figure of agreement with its interval: shares as percentages, coefficients as such; from `least` people on."""
    if line["estimate"] is None or line["participants"] < least:
        return TOO_FEW
    if line["statistic"].endswith("_agreement"):
        return f"{percent(line['estimate'])} ({percent_range(line['ci_low'], line['ci_high'])})"
    if line["ci_low"] is None:
        return coefficient(line["estimate"])
    return f"{coefficient(line['estimate'])} ({coefficient(line['ci_low'])} to {coefficient(line['ci_high'])})"


def of_whom(paper: Paper, line: Row) -> str:
    """Whom a row speaks of."""
    if line["group"] == "unknown":
        return f"{paper.grouping_name(line['group_by'])} not recorded"
    return "everybody" if line["group_by"] == "overall" else paper.level_name(line["group_by"], line["group"])


def how_made(adjustment: str) -> str:
    """What a figure was made of, in a table and in brackets."""
    return _ADJUSTED.get(adjustment, adjustment.replace("_", " "))


def capital(name: str) -> str:
    """A name at the head of a sentence, the rest of it as it is.

    >>> capital("predictive value of PABAK")
    'Predictive value of PABAK'
    """
    return name[:1].upper() + name[1:]


def p_words(value: float) -> str:
    """A P value for a sentence: three decimals below 0.10, else two.

    >>> p_words(0.0421), p_words(0.5), p_words(0.00002), p_words(0.9999)
    ('P = 0.042', 'P = 0.50', 'P < 0.001', 'P > 0.99')
    """
    if value < 0.001:
        return "P < 0.001"
    if value > 0.99:
        return "P > 0.99"
    return f"P = {value:.3f}" if value < 0.0995 else f"P = {value:.2f}"
