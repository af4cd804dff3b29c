"""How the figures of a manuscript are written: the same words in text, table and figure."""

from __future__ import annotations

from examtally.reporting.numbers import coefficient, percent, percent_range, ratio, ratio_range
from examtally.reporting.study.paper import Paper, Row

RATIOS = ("lr_positive", "lr_negative", "diagnostic_odds_ratio")


_NAMES = {
    "lr_positive": "positive likelihood ratio",
    "lr_negative": "negative likelihood ratio",
    "ppv": "positive predictive value",
    "npv": "negative predictive value",
}


def measure_name(code: str) -> str:
    """A measure within a sentence.

    >>> measure_name("lr_positive"), measure_name("sensitivity")
    ('positive likelihood ratio', 'sensitivity')
    """
    return _NAMES.get(code, code.replace("_", " "))


def value_words(line: Row) -> str:
    """An estimate with its interval, or why there is none.

    >>> value_words({"measure": "sensitivity", "estimate": 0.8, "ci_low": 0.7, "ci_high": 0.9, "flag": None})
    '80% (70–90%)'
    """
    if line["estimate"] is None or line["flag"] == "too_few" or line.get("display") == "counts_only":
        return "too few to estimate"
    if line["measure"] in RATIOS:
        limits = ratio_range(line["ci_low"], line["ci_high"])
        return f"{ratio(line['estimate'])} ({limits})" if limits else ratio(line["estimate"])
    limits = percent_range(line["ci_low"], line["ci_high"])
    return f"{percent(line['estimate'])} ({limits})" if limits else percent(line["estimate"])


def agreement_value(line: Row) -> str:
    """A figure of agreement with its interval: shares as percentages, coefficients as such."""
    if line["estimate"] is None:
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


def how_made(paper: Paper, adjustment: str) -> str:
    return {"none": "verified, as they are", "verification": "corrected for who was verified"}.get(
        adjustment, paper.wording.word("adjustment", adjustment)
    )


def p_words(value: float) -> str:
    """A p value, three decimals.

    >>> p_words(0.0421), p_words(0.00002)
    ('0.042', '<0.001')
    """
    return "<0.001" if value < 0.001 else f"{value:.3f}"
