"""A plan, and the plan as text, tables and a curve: what an ethics application asks for."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

import matplotlib as mpl
import polars as pl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from examtally.contracts.protocol.estimates import group_words
from examtally.contracts.study.study import Study
from examtally.disclosure.tables import FEWEST
from examtally.errors import StudyError
from examtally.fonts import TEXT, embed_in_figure
from examtally.registry.scratch import scratch
from examtally.results.summary import page
from examtally.results.summary import paragraph as as_paragraph
from examtally.studies.aims import BOTH, KAPPA, WITH_POWER, published_of
from examtally.studies.rates import Rates
from examtally.words import for_markdown

CORRELATION = 0.5
"""Assumed correlation of the errors in two knees of one person: it cannot be had blind to the results."""

_AIMS = {
    "half_width": "to estimate sensitivity ({sensitivity:.0%} expected) and specificity ({specificity:.0%} expected) "
    "with intervals of half-width {half_width:.0%}{other_half_width}",
    "lower_limit": "to show by its lower limit that {measure} ({expected:.0%} expected) exceeds {lower_limit:.0%}",
    "paired": "to find a difference in {measure} of {difference:.0%} between two tests on the same «nouns»",
    "unpaired": "to find a difference in {measure} of {difference:.0%} between two groups",
    "kappa_half_width": "to estimate kappa ({kappa:.2f} expected) with an interval of half-width {half_width:.2f}",
}
_SOURCES = {
    "half_width": "Buderer NMF. Acad Emerg Med 1996;3:895-900",
    "lower_limit": "Flahault A, Cadilhac M, Thomas G. J Clin Epidemiol 2005;58:859-862",
    "paired": "Connor RJ. Biometrics 1987;43:207-211",
    "unpaired": "Fleiss JL. Statistical Methods for Rates and Proportions, 2nd ed. 1981",
    KAPPA: "Bloch DA, Kraemer HC. Biometrics 1989;45:269-287",
}
_ASSURANCE = "O'Hagan A, Stevens JW, Campbell MJ. Pharm Stat 2005;4:187-201"
_YEARS_FROM = 18
"""Months from which years stand beside them."""
LONGEST = 36
"""Months above which a study is not feasible."""
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

    `needed` is None where no number is enough; `independent` is what the formula alone gives. `groups` splits the size
    between two groups. `knees` and `periods` hold where every eligible knee gets the tests; `periods_as_now` is how
    long it takes where they are recorded as rarely as until now. None where the registry cannot say: `note` says why.
    `reached` is the power at the planned size (at most, where no number is enough), or the half-width; `assurance` that
    chance over what the published figures leave open, None where their size is not stated. `could_show` says what the
    longest feasible time is enough for. `curve` holds in_analysis, value. `too_few` says what is in the way where few
    examiners make the groups and can only be described. `at_hand` are the knees (pairs) recorded with the tests
    by now, whose reference may have come, and `reached_now` what these reach.
    """

    study: Study
    aim: str
    tests: tuple[str, ...]
    rates: Rates
    assumptions: tuple[Assumption, ...]
    independent: int
    needed: int | None
    needed_is: str
    groups: Mapping[str, int]
    knees: int | None
    periods: int | None
    periods_as_now: int | None
    reached: float
    assurance: float | None
    curve: pl.DataFrame = field(repr=False)
    note: str
    could_show: str = ""
    too_few: str = ""
    at_hand: int = 0
    reached_now: float | None = None

    @property
    def periods_in_all(self) -> int | None:
        """Periods until the reference standard of the last knee has come too."""
        return None if self.periods is None else self.periods + (0 if self.aim == KAPPA else self.rates.delay)

    @property
    def longest(self) -> int:
        """Periods above which it is not feasible: three years, or three times the registry's own periods if more."""
        return LONGEST if self.rates.is_monthly else max(LONGEST, 3 * self.rates.all_periods)

    @property
    def is_too_long(self) -> bool:
        """Whether it takes longer than is feasible."""
        return (self.periods_in_all or 0) > self.longest

    @property
    def is_feasible(self) -> bool:
        """Whether there is a size that so many examiners, at this pace, can reach."""
        return self.knees is not None and not self.too_few and not self.is_too_long

    @property
    def warnings(self) -> tuple[str, ...]:
        """What speaks against a lock or a run today, in sentences; counts below 11 are not told."""
        said = [] if not (self.too_few or self.is_too_long) else [self.too_few or _too_long(self)]
        wanted = self.study.planned_size.knees or (None if self.too_few else self.knees)
        if wanted is not None and self.at_hand < wanted:
            there = f"{self.at_hand:,}" if self.at_hand >= FEWEST else f"fewer than {FEWEST}"
            unit = "pairs of exams" if self.aim == KAPPA else "«nouns» recorded with the tests"
            far = "far too few yet, " if self.at_hand < wanted / 2 else ""
            has_power = self.reached_now is not None and not self.too_few
            now = (
                f"; by the rates of the registry they have a power of about {self.reached_now:.0%}" if has_power else ""
            )
            said.append(f"At hand: {far}{there} {unit} of {wanted:,} planned{now}.")
        return tuple(map(self.study.contract.catalogue.noun.said, said))

    def __str__(self) -> str:
        """The paragraph for an ethics application."""
        return paragraph(self)

    def _repr_html_(self) -> str:
        """The same paragraph, as a notebook shows it."""
        return page(f"Plan: {self.study.title}", as_paragraph(paragraph(self)))

    @property
    def table(self) -> pl.DataFrame:
        """What the size rests on: name, value, source."""
        rows = [(one.name, one.value, one.source) for one in self.assumptions]
        return pl.DataFrame(
            rows, schema={"name": pl.String(), "value": pl.Float64(), "source": pl.String()}, orient="row"
        )

    def plot(self, axes: Axes | None = None) -> Axes:
        """Draw power, or half-width, by size on `axes`, or on a new figure; the dot is the planned size."""
        from matplotlib import pyplot

        axes = axes if axes is not None else pyplot.subplots(figsize=(5.5, 3.6), layout="constrained")[1]
        _draw_on(axes, self)
        return axes

    def write(self, out: Path | str) -> tuple[Path, ...]:
        """Write the plan to the folder `out`; see `write_plan`."""
        return write_plan(self, Path(out))


def paragraph(plan: Plan) -> str:
    """The paragraph for an ethics application."""
    level = f"{1 - plan.study.alpha:.0%}"
    has_power = plan.aim in WITH_POWER and plan.needed is not None and not plan.too_few
    power = f" with a power of {plan.reached:.0%}" if has_power else ""
    text = " ".join(
        [
            f"The study is planned {_aim(plan)} ({level} intervals){power}.",
            *([plan.note, plan.too_few] if plan.too_few else _way(plan)),
            _NO_EXAM,
        ]
    )
    return plan.study.contract.catalogue.noun.said(text)


def _way(plan: Plan) -> list[str]:
    """From the size to the time, what stands in the way first."""
    return [
        *([_too_long(plan)] if plan.is_too_long else []),
        *_size(plan),
        *_on_the_way(plan),
        _time(plan),
        *_beside(plan),
    ]


_NO_EXAM = (
    "No one is examined or imaged for the sake of this study; the figures for the plan were taken without looking at "
    "the accuracy of any test under study."
)


def _aim(plan: Plan) -> str:
    """What the study is planned for; with both measures, one after the other."""
    planned = plan.study.planned_size
    measures = ("sensitivity", "specificity") if planned.measure == BOTH else (planned.measure,)
    if plan.aim in ("half_width", KAPPA):
        measures = measures[:1]
    said = []
    for place, measure in enumerate(measures):
        own = {name.removeprefix("specificity_"): value for name, value in planned.numbers.items() if place}
        other = planned.numbers.get("specificity_half_width")
        words = {
            "measure": measure,
            "expected": planned.numbers.get(measure, math.nan),
            "other_half_width": f" and {other:.0%}" if other is not None else "",
        }
        said.append(_AIMS[plan.aim].format(**{**planned.numbers, **own, **words}))
    return ", and ".join(said) + (", both together" if len(said) > 1 else "")


def _size(plan: Plan) -> list[str]:
    if plan.needed is None:
        return []
    source = _SOURCES[plan.aim]
    split = " and ".join(f"{number:,} ({group_words(group)})" for group, number in plan.groups.items())
    said = [f"This needs {plan.needed:,} {plan.needed_is}{f': {split}' if split else ''} ({source})."]
    if plan.assurance is not None:
        behind = " and ".join(f"{number:,}" for number in published_of(plan.study.planned_size).values())
        said.append(
            f"The expected figures are those of {behind} published «nouns»; over what these leave open the aim is "
            f"reached with a chance of {plan.assurance:.0%} (assurance; {_ASSURANCE})."
        )
    return said


def _beside(plan: Plan) -> list[str]:
    """What must be said beside a size that can be reached."""
    return [plan.note] if plan.note and plan.periods is not None else []


def _on_the_way(plan: Plan) -> list[str]:
    if plan.knees is None or plan.aim == KAPPA:
        return []
    share = {one.name: one.value for one in plan.assumptions}
    own = "share of index exams in the groups compared"
    compared = f"{share[own]:.0%} of index exams are in the groups compared, " if own in share else ""
    both = "design effect of examiners and persons"
    people = share["design effect of several episodes a person"]
    clusters = (
        f"the size already counts clusters of both kinds, examiners and persons (design effect {share[both]:.2f})"
        if both in share
        else f"for several «nouns» of one person the number is raised by {people - 1:.1%} "
        f"(correlation {CORRELATION} assumed)"
    )
    return [
        f"In this registry {compared}{share['share verified']:.0%} of eligible «nouns» have a reference, "
        f"{share['prevalence among the verified']:.0%} of those have the condition and "
        f"{share['share of findings that are clear']:.0%} of findings are clear; {clusters}. "
        f"Therefore {plan.knees:,} eligible «nouns» must be examined with the tests under study."
    ]


def _time(plan: Plan) -> str:
    if plan.periods is None or plan.periods_in_all is None:
        return plan.note
    unit = "month" if plan.rates.is_monthly else "period"
    years = _years(plan, plan.periods_in_all)
    if plan.aim == KAPPA:
        said = f"At the pace until now this takes {plan.periods:,} {unit}s{years}."
    else:
        pace = plan.rates.a_period
        slower = ""
        if plan.periods_as_now is not None and plan.periods_as_now > plan.periods:
            slower = f" If the tests are recorded as rarely as until now, it takes {plan.periods_as_now:,}."
        said = f"At {pace:,.0f} eligible «nouns» a {unit} you need {plan.periods:,} {unit}s.{slower}"
        if plan.rates.delay:
            said += (
                f" The reference standard of the last comes within {plan.rates.delay} more: results after "
                f"{plan.periods_in_all:,} {unit}s{years}."
            )
        elif years:
            said += f" That is{years.replace(' (', ' ').rstrip(')')}."
    return said


def _too_long(plan: Plan) -> str:
    """That it takes too long, and what would make it feasible."""
    times = math.ceil((plan.periods or 0) / max(plan.longest - plan.rates.delay, 1) * 10) / 10
    weaker = f", or {plan.could_show}," if plan.could_show else ", or a weaker aim,"
    unit, within = (
        ("month", f"{LONGEST // 12} years") if plan.rates.is_monthly else ("period", f"{plan.longest} periods")
    )
    return (
        f"Not feasible here within {within}: {times:.1f} times the «nouns» a {unit} (more groups that pool their "
        f"figures){weaker} would make it so."
    )


def _years(plan: Plan, months: int) -> str:
    return f" ({months / 12:.1f} years)" if plan.rates.is_monthly and months > _YEARS_FROM else ""


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
    by_size = f"![{_alt(plan)}](curve.svg)\n\n| {plan.needed_is} | {_value(plan).lower()} |\n|---:|---:|\n{curve}"
    if plan.too_few:
        by_size = plan.too_few
    return (
        f"# Plan: {for_markdown(plan.study.title)}\n\n{paragraph(plan)}\n\n## What the size rests on\n\n"
        f"| | value | from |\n|---|---:|---|\n{rows}\n\n## {_value(plan)} by size\n\n{by_size}\n"
    )


def _value(plan: Plan) -> str:
    return "Power" if plan.aim in WITH_POWER else "Half-width"


def _alt(plan: Plan) -> str:
    low, high = plan.curve["value"][0], plan.curve["value"][-1]
    planned = "" if plan.needed is None else f"{plan.reached:.2f} at the planned {plan.needed:,}, "
    return (
        f"{_value(plan)} against the number of {plan.needed_is}: {low:.2f} at {plan.curve['in_analysis'][0]:,}, "
        f"{planned}{high:.2f} at {plan.curve['in_analysis'][-1]:,}."
    )


def _json(plan: Plan) -> str:
    content = {
        "study": plan.study.code,
        "aim": plan.aim,
        "tests": list(plan.tests),
        "needed": plan.needed,
        "needed_is": plan.needed_is,
        "needed_if_independent": plan.independent,
        "groups": dict(plan.groups),
        "knees": plan.knees,
        "periods": plan.periods,
        "periods_as_now": plan.periods_as_now,
        "periods_in_all": plan.periods_in_all,
        "reached": plan.reached,
        "assurance": plan.assurance,
        "note": plan.note,
        "is_feasible": plan.is_feasible,
        "too_few": plan.too_few,
        "at_hand": plan.at_hand,
        "reached_now": plan.reached_now,
        "rates": asdict(plan.rates),
        "assumptions": [asdict(one) for one in plan.assumptions],
        "paragraph": paragraph(plan),
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _assumptions(plan: Plan) -> str:
    rows = [(one.name, f"{one.value:.12g}", one.source) for one in plan.assumptions]
    return pl.DataFrame(rows, schema=["assumption", "value", "source"], orient="row").write_csv()


def _draw(plan: Plan, path: Path) -> None:
    """The curve with the planned size on it; the same bytes every time."""
    with mpl.rc_context(_STYLE):  # type: ignore[arg-type]
        figure = Figure(figsize=(5.5, 3.2), layout="constrained")
        FigureCanvasSVG(figure)
        _draw_on(figure.add_subplot(), plan)
        figure.savefig(path, metadata={"Date": None, "Title": _alt(plan)})
    path.write_text(embed_in_figure(path.read_text(encoding="utf-8")), encoding="utf-8")


def _draw_on(axes: Axes, plan: Plan) -> None:
    axes.plot(plan.curve["in_analysis"], plan.curve["value"], color="#0b5d8a", linewidth=1.8)
    if plan.needed is not None:
        axes.plot([plan.needed], [plan.reached], "o", color="#a34a00", markersize=7)
        at = (plan.needed, plan.reached)
        axes.annotate(f"planned: {plan.needed:,}", at, xytext=(10, -14), textcoords="offset points")
    axes.set(xlabel=plan.needed_is, ylabel=_value(plan).lower(), ylim=(0, None))
    axes.spines[["top", "right"]].set_visible(False)
