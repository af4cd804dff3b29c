"""How the figures of a manuscript are written: the same words in text, table and figure."""

from __future__ import annotations

from collections.abc import Sequence

from examtally.reporting.engine.numbers import coefficient, percent, percent_range, ratio, ratio_range
from examtally.reporting.manuscript.paper import Paper, Row

TOO_FEW = "too_few"
RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")


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
    "none": "verified «nouns» only",
    "verification": "corrected for verification bias alone",
    "bias_adjusted": "all eligible, corrected for verification bias and for an imperfect reference standard",
    "begg_greenes": "corrected by the test's own result",
    "ipw": "weighted by the chance of verification",
    "multiple_imputation": "condition of the others imputed",
}


def leading_rows(lines: Sequence[Row], figure: str = "estimate") -> list[Row]:
    """Rows by the leading estimate where any of them has its `figure`, else those on verified knees."""
    led = [line for line in lines if line["adjustment"] == "bias_adjusted"]
    if any(line[figure] is not None for line in led):
        return led
    return [line for line in lines if line["adjustment"] == "none"]


def measure_name(code: str) -> str:
    """A measure of accuracy or a statistic of agreement within a sentence.

    >>> measure_name("lr_positive"), measure_name("sensitivity")
    ('positive likelihood ratio', 'sensitivity')
    """
    return _NAMES.get(code, code.replace("_", " "))


def value_words(line: Row) -> str:
    """An estimate with its interval, or why there is none.

    >>> value_words({"measure": "sensitivity", "estimate": 0.8, "ci_low": 0.7, "ci_high": 0.9, "flag": None})
    '80% (70–90%)'
    """
    if line["estimate"] is None or line["flag"] == TOO_FEW or line.get("display") == "counts_only":
        return "too few to estimate"
    if line["measure"] in RATIOS:
        limits = ratio_range(line["ci_low"], line["ci_high"])
        return f"{ratio(line['estimate'])} ({limits})" if limits else ratio(line["estimate"])
    limits = percent_range(line["ci_low"], line["ci_high"])
    return f"{percent(line['estimate'])} ({limits})" if limits else percent(line["estimate"])


def agreement_value(line: Row, least: int) -> str:
    """A figure of agreement with its interval: shares as percentages, coefficients as such; from `least` people on."""
    if line["estimate"] is None or line["participants"] < least:
        return "too few to estimate"
    if line["statistic"].endswith("_agreement"):
        return f"{percent(line['estimate'])} ({percent_range(line['ci_low'], line['ci_high'])})"
    if line["ci_low"] is None:
        return coefficient(line["estimate"])
    return f"{coefficient(line['estimate'])} ({coefficient(line['ci_low'])} to {coefficient(line['ci_high'])})"


def of_whom(paper: Paper, line: Row) -> str:
    if line["group_by"] == "overall":
        return "everybody"
    return f"{paper.grouping_name(line['group_by'])}: {paper.group_name(line['group'])}"


def how_made(adjustment: str) -> str:
    """What a figure was made of, as it stands in a table."""
    return _ADJUSTED.get(adjustment, adjustment.replace("_", " "))


def capital(name: str) -> str:
    """A name at the head of a sentence, the rest of it as it is.

    >>> capital("predictive value of PABAK")
    'Predictive value of PABAK'
    """
    return name[:1].upper() + name[1:]


def p_words(value: float) -> str:
    """A p value, three decimals.

    >>> p_words(0.0421), p_words(0.00002)
    ('0.042', '<0.001')
    """
    return "<0.001" if value < 0.001 else f"{value:.3f}"
