"""A plan, and the plan as text, tables and a curve: what an ethics application asks for."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from io import StringIO
from pathlib import Path

import matplotlib as mpl
import polars as pl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from examtally.contracts.study.study import Study
from examtally.errors import StudyError
from examtally.fonts import TEXT, embed_in_figure
from examtally.registry.scratch import scratch
from examtally.results.summary import page
from examtally.results.summary import paragraph as as_paragraph
from examtally.studies.rates import Rates
from examtally.words import for_markdown

CORRELATION = 0.5
"""Assumed correlation of the errors in two knees of one person: it cannot be had blind to the results."""

_AIMS = {
    "half_width": "to estimate sensitivity ({sensitivity:.0%} expected) and specificity ({specificity:.0%} expected) "
    "with intervals of half-width {half_width:.0%}",
    "lower_limit": "to show by its lower limit that {measure} ({expected:.0%} expected) exceeds {lower_limit:.0%}",
    "paired": "to find a difference in {measure} of {difference:.0%} between two tests on the same «nouns»",
    "unpaired": "to find a difference in {measure} of {difference:.0%} between two groups of equal size",
    "kappa_half_width": "to estimate kappa ({kappa:.2f} expected) with an interval of half-width {half_width:.2f}",
}
_SOURCES = {
    "half_width": "Buderer NMF. Acad Emerg Med 1996;3:895-900",
    "lower_limit": "Flahault A, Cadilhac M, Thomas G. J Clin Epidemiol 2005;58:859-862",
    "paired": "Connor RJ. Biometrics 1987;43:207-211",
    "unpaired": "Fleiss JL. Statistical Methods for Rates and Proportions, 2nd ed. 1981",
    "kappa_half_width": "Bloch DA, Kraemer HC. Biometrics 1989;45:269-287",
}
_YEARS_FROM, _LONGEST = 18, 60
"""Months from which years stand beside them, and above which a study is not feasible."""
_WITH_POWER = ("lower_limit", "paired", "unpaired")
_STYLE = {"svg.fonttype": "none", "svg.hashsalt": "examtally", "font.family": TEXT, "font.size": 10}
FILES = ("plan.md", "plan.json", "assumptions.csv", "curve.csv", "curve.svg")


@dataclass(frozen=True)
class Assumption:
    """One number that the size rests on, and where it comes from."""

    name: str
    value: float
    source: str


@dataclass(frozen=True)
class Plan:
    """`needed` are knees (pairs, for kappa) in the analysis, `knees` those to examine, `periods` how long that takes.

    Both hold where every eligible knee gets the tests; `periods_as_now` is how long it takes where they are recorded as
    rarely as until now. None where the registry cannot say: `note` then says why. `reached` is the power at the planned
    size, or the half-width; `curve` holds in_analysis, value.
    """

    study: Study
    aim: str
    tests: tuple[str, ...]
    rates: Rates
    assumptions: tuple[Assumption, ...]
    needed: int
    needed_is: str
    knees: int | None
    periods: int | None
    periods_as_now: int | None
    reached: float
    curve: pl.DataFrame = field(repr=False)
    note: str

    def __str__(self) -> str:
        """The paragraph for an ethics application."""
        return paragraph(self)

    def _repr_html_(self) -> str:
        """The same paragraph, as a notebook shows it."""
        return page(f"Plan: {self.study.title}", as_paragraph(paragraph(self)))

    def write(self, out: Path | str) -> tuple[Path, ...]:
        """Write the plan to the folder `out`; see `write_plan`."""
        return write_plan(self, Path(out))


def paragraph(plan: Plan) -> str:
    """The paragraph for an ethics application."""
    planned = plan.study.planned_size
    words = {"measure": planned.measure, "expected": planned.numbers.get(planned.measure, math.nan)}
    aim = _AIMS[plan.aim].format(**{**planned.numbers, **words})
    level = f"{1 - plan.study.alpha:.0%}"
    power = f" with a power of {plan.reached:.0%}" if plan.aim in _WITH_POWER else ""
    size = f"This needs {plan.needed:,} {plan.needed_is} ({_SOURCES[plan.aim]})."
    text = " ".join(
        [
            f"The study is planned {aim} ({level} intervals){power}.",
            size,
            *_on_the_way(plan),
            _time(plan),
            *_beside(plan),
            _NO_EXAM,
        ]
    )
    return plan.study.contract.catalogue.noun.said(text)


_NO_EXAM = (
    "No one is examined or imaged for the sake of this study; the figures for the plan were taken without looking at "
    "the accuracy of any test under study."
)


def _beside(plan: Plan) -> list[str]:
    """What must be said beside a size that can be reached."""
    return [plan.note] if plan.note and plan.periods is not None else []


def _on_the_way(plan: Plan) -> list[str]:
    if plan.knees is None or plan.aim == "kappa_half_width":
        return []
    share = {one.name: one.value for one in plan.assumptions}
    return [
        f"In this registry {share['share verified']:.0%} of eligible «nouns» have a reference, "
        f"{share['prevalence among the verified']:.0%} of those have the condition, "
        f"{share['share of findings that are clear']:.0%} of findings are clear and the window of "
        f"{share['share whose window has closed']:.0%} has closed; for several «nouns» of one person "
        f"the number is raised by {share['design effect of several episodes a person'] - 1:.1%} "
        f"(correlation {CORRELATION} assumed). "
        f"Therefore {plan.knees:,} eligible «nouns» must be examined with the tests under study."
    ]


def _time(plan: Plan) -> str:
    if plan.periods is None:
        return plan.note
    unit = "month" if plan.rates.is_monthly else "period"
    pace = plan.rates.a_period
    if plan.aim == "kappa_half_width":
        return f"At the pace until now this takes {plan.periods:,} {unit}s."
    slower = ""
    if plan.periods_as_now is not None and plan.periods_as_now > plan.periods:
        slower = f" If the tests are recorded as rarely as until now, it takes {plan.periods_as_now:,}."
    years = f" ({plan.periods / 12:.1f} years)" if plan.rates.is_monthly and plan.periods > _YEARS_FROM else ""
    said = f"At {pace:,.0f} eligible «nouns» a {unit} you need {plan.periods:,} {unit}s{years}.{slower}"
    if plan.rates.is_monthly and plan.periods > _LONGEST:
        times = math.ceil(plan.periods / _LONGEST * 10) / 10
        said += (
            f" Not feasible here within {_LONGEST // 12} years: {times:.1f} times the «nouns» a month (more groups "
            "that pool their figures), or a larger difference or half-width, would make it so."
        )
    return said


def write_plan(plan: Plan, out: Path) -> tuple[Path, ...]:
    """Write the plan to a folder, all files or none, and return them; StudyError where it holds other things."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        contents = dict(
            zip(FILES, (_page(plan), _json(plan), _assumptions(plan), plan.curve.write_csv(), None), strict=True)
        )
        with scratch(out) as fresh:
            if any(path.name not in FILES for path in out.iterdir() if path not in fresh.parents):
                raise StudyError("the folder holds other things than a plan; name a new or empty folder with --out")
            for name, text in contents.items():
                if text is not None:
                    (fresh / name).write_text(text, encoding="utf-8")
            _draw(plan, fresh / "curve.svg")
            for name in FILES:
                (fresh / name).replace(out / name)
    except OSError as fault:
        raise StudyError(f"the plan cannot be written: {fault.strerror}; name another folder with --out") from None
    return tuple(out / name for name in FILES)


def _page(plan: Plan) -> str:
    rows = "\n".join(f"| {one.name} | {one.value:.3g} | {one.source} |" for one in plan.assumptions)
    curve = "\n".join(f"| {n:,} | {value:.3f} |" for n, value in plan.curve.iter_rows())
    return (
        f"# Plan: {for_markdown(plan.study.title)}\n\n{paragraph(plan)}\n\n## What the size rests on\n\n"
        f"| | value | from |\n|---|---:|---|\n{rows}\n\n## {_value(plan)} by size\n\n![{_alt(plan)}](curve.svg)\n\n"
        f"| {plan.needed_is} | {_value(plan).lower()} |\n|---:|---:|\n{curve}\n"
    )


def _value(plan: Plan) -> str:
    return "Power" if plan.aim in _WITH_POWER else "Half-width"


def _alt(plan: Plan) -> str:
    low, high = plan.curve["value"][0], plan.curve["value"][-1]
    return (
        f"{_value(plan)} against the number of {plan.needed_is}: {low:.2f} at {plan.curve['in_analysis'][0]:,}, "
        f"{plan.reached:.2f} at the planned {plan.needed:,}, {high:.2f} at {plan.curve['in_analysis'][-1]:,}."
    )


def _json(plan: Plan) -> str:
    content = {
        "study": plan.study.code,
        "aim": plan.aim,
        "tests": list(plan.tests),
        "needed": plan.needed,
        "needed_is": plan.needed_is,
        "knees": plan.knees,
        "periods": plan.periods,
        "periods_as_now": plan.periods_as_now,
        "reached": plan.reached,
        "note": plan.note,
        "rates": asdict(plan.rates),
        "assumptions": [asdict(one) for one in plan.assumptions],
        "paragraph": paragraph(plan),
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _assumptions(plan: Plan) -> str:
    return _csv(
        ("assumption", "value", "source"), ((one.name, f"{one.value:.12g}", one.source) for one in plan.assumptions)
    )


def _csv(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([head, *rows])
    return text.getvalue()


def _draw(plan: Plan, path: Path) -> None:
    """The curve with the planned size on it; the same bytes every time."""
    with mpl.rc_context(_STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=(5.5, 3.2), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.add_subplot()
        axes.plot(plan.curve["in_analysis"], plan.curve["value"], color="#0b5d8a", linewidth=1.8)
        axes.plot([plan.needed], [plan.reached], "o", color="#a34a00", markersize=7)
        axes.annotate(
            f"planned: {plan.needed:,}", (plan.needed, plan.reached), xytext=(10, -14), textcoords="offset points"
        )
        axes.set(xlabel=plan.needed_is, ylabel=_value(plan).lower(), ylim=(0, None))
        axes.spines[["top", "right"]].set_visible(False)
        figure.savefig(path, metadata={"Date": None, "Title": _alt(plan)})
    path.write_text(embed_in_figure(path.read_text(encoding="utf-8")), encoding="utf-8")
