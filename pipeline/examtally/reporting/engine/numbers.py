"""How a number is written for a reader: whole percentages, ratios to two digits, counts with their total."""

from __future__ import annotations

FEWEST = 10
"""Fewer than so many have counts and no percentage, on every page."""

DASH = "–"  # of a range; also stands where nothing can be given


def percent(share: float | None) -> str:
    """A proportion as a whole percentage; a share that is neither none nor all is never rounded to look so.

    >>> percent(0.814), percent(0.002), percent(0.998), percent(0.0), percent(None)
    ('81%', '<1%', '>99%', '0%', '–')
    """
    return DASH if share is None else f"{_whole(share)}%"


def percent_range(low: float | None, high: float | None) -> str:
    """The limits of a proportion, rounded, empty where there are none.

    >>> percent_range(0.734, 0.869), percent_range(None, None)
    ('73–87%', '')
    """
    if low is None or high is None:
        return ""
    return f"{low * 100:.0f}{DASH}{high * 100:.0f}%"


def ratio(value: float | None) -> str:
    """A likelihood ratio to two significant digits.

    >>> ratio(5.43), ratio(12.4), ratio(0.0617), ratio(1.0), ratio(143.2), ratio(2003.0), ratio(None)
    ('5.4', '12', '0.062', '1.0', '140', '2,000', '–')
    """
    if value is None:
        return DASH
    if value >= 99.5:
        return f"{float(f'{value:.1e}'):,.0f}"
    if value >= 9.95:
        return f"{value:.0f}"
    if value >= 0.995 or value == 0:
        return f"{value:.1f}"
    return f"{float(f'{value:.1e}'):.3f}" if value < 0.0995 else f"{value:.2f}"


def ratio_range(low: float | None, high: float | None) -> str:
    """The limits of a ratio; an upper limit that does not exist, or is a hundred and more, is said in words.

    >>> ratio_range(3.21, 9.14), ratio_range(4.06, None), ratio_range(None, 0.2), ratio_range(None, None)
    ('3.2–9.1', '4.1 and more', 'up to 0.20', '')
    >>> ratio_range(3.5, 2003)
    '3.5 and more'
    """
    if low is None and high is None:
        return ""
    if low is not None and (high is None or high >= 100):
        return f"{ratio(low)} and more"
    if low is None:
        return f"up to {ratio(high)}"
    return f"{ratio(low)}{DASH}{ratio(high)}"


def coefficient(value: float | None) -> str:
    """A coefficient between -1 and 1, two decimals.

    >>> coefficient(0.7849), coefficient(-0.204), coefficient(None)
    ('0.78', '−0.20', '–')
    """
    return DASH if value is None else f"{value:.2f}".replace("-", "−")


def points(change: float | None) -> str:
    """A change of a proportion in percentage points.

    >>> points(0.031), points(-0.074), points(0.002), points(None)
    ('+3', '−7', '0', '–')
    """
    if change is None:
        return DASH
    whole = round(change * 100)
    return f"{whole:+d}".replace("-", "−") if whole else "0"


def score(value: float | None) -> str:
    """A score or an error of calibration, three decimals."""
    return DASH if value is None else f"{value:.3f}"


def signed(change: float) -> str:
    """A change of a score, three decimals.

    >>> signed(0.0264), signed(-0.0121), signed(-0.0002)
    ('+0.026', '−0.012', '0.000')
    """
    text = f"{change:+.3f}"
    return "0.000" if float(text) == 0 else text.replace("-", "−")


def score_range(low: float | None, high: float | None) -> str:
    """The limits of a score, empty where there are none."""
    return "" if low is None or high is None else f"{low:.3f}{DASH}{high:.3f}"


def count(number: int) -> str:
    """A whole number with its thousands marked.

    >>> count(812), count(12345)
    ('812', '12,345')
    """
    return f"{number:,}"


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun; a mark of the joint's noun has its own plural.

    >>> counted(1, "knee"), counted(0, "knee"), counted(2, "person", "people")
    ('1 knee', '0 knees', '2 people')
    """
    plural = f"{one[:-1]}s»" if one.endswith("»") else f"{one}s"
    return f"{count(number)} {one if number == 1 else many or plural}"


def share_of(part: int, whole: int) -> str:
    """A count with its total and, from `FEWEST` on, its percentage.

    >>> share_of(58, 72), share_of(3, 4), share_of(0, 0)
    ('58 of 72 (81%)', '3 of 4', '0 of 0')
    """
    return f"{count(part)} of {count(whole)}{_in_brackets(part, whole)}"


def part_of(part: int, whole: int) -> str:
    """The same where the total is said already.

    >>> part_of(11, 249), part_of(1, 4)
    ('11 (4%)', '1')
    """
    return f"{count(part)}{_in_brackets(part, whole)}"


def _in_brackets(part: int, whole: int) -> str:
    return f" ({percent(part / whole)})" if whole >= FEWEST else ""


def listed(words: list[str], last: str = "and") -> str:
    """Words in a sentence.

    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def _whole(share: float) -> str:
    rounded = round(share * 100)
    if rounded == 0 and share > 0:
        return "<1"
    if rounded == 100 and share < 1:
        return ">99"
    return str(rounded)
