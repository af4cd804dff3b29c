"""The accuracy table: every measure of every maneuver, condition and group on verified knees, as they are."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Protocol as Shape

import numpy as np
import polars as pl

from examtally.analytics.diagnostic_accuracy.measures import (
    PROPORTIONS,
    RATIO_EVENTS,
    Figures,
    predictive,
    proportion,
    ratio,
)
from examtally.analytics.diagnostic_accuracy.notes import Remark, in_words, remarks, shows_estimate
from examtally.analytics.diagnostic_accuracy.predictive_values import post_test, post_test_interval
from examtally.analytics.diagnostic_accuracy.two_by_two import KEY, TwoByTwo
from examtally.analytics.intervals import BoolArray, FloatArray, Interval
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.results import conform, empty

_CLINICAL = "Made against a clinical diagnosis."


def accuracy_table(
    tallies: pl.DataFrame,
    role_clusters: pl.DataFrame | None,
    contract: Contract,
    protocol: Protocol,
    measures: Collection[str] = (*PROPORTIONS, *RATIO_EVENTS),
) -> pl.DataFrame:
    """Return the table `accuracy` with adjustment `none`, for every intended pair that something settles.

    `tallies` is the table of that name. `role_clusters` (condition, maneuver, group; examiners behind each denominator;
    sums of products over examiners, `ex_tp_tp` …, and over participants within examiners, `px_tp_tp` …) makes the
    intervals of the rows by role reach examiners like these; without it they speak of these examiners.
    A figure that cannot be estimated is null with a flag and a note. Only `measures` are estimated, at least one.
    """
    settled = [pair for pair in contract.catalogue.pairs if pair[0] in protocol.reference.accepted]
    pairs = pl.DataFrame(settled, schema={"condition": pl.String, "maneuver": pl.String}, orient="row")
    rows = tallies.join(pairs, on=["condition", "maneuver"], how="semi").sort(KEY)
    table = TwoByTwo.of(rows, role_clusters)
    found = _figures(rows, table, measures, protocol)
    frames = [_frame(rows, table, figures, chosen, protocol) for figures, chosen in found]
    return conform("accuracy", pl.concat(frames))


def post_test_table(accuracy: pl.DataFrame, protocol: Protocol) -> pl.DataFrame:
    """Return the table `post_test`: what each finding does to the protocol's pre-test probabilities.

    `accuracy` is the table of that name; its overall likelihood ratios are used, with their limits, flags and notes.
    """
    findings = {"lr_positive": "positive", "lr_negative": "negative"}
    ratios = accuracy.filter(pl.col("measure").is_in(list(findings)), group_by="overall")
    rows = ratios.join(pl.DataFrame({"pre_test": protocol.post_test.pre_test}), how="cross")
    before = _floats(rows, "pre_test")
    limits = post_test_interval(before, Interval(_floats(rows, "ci_low"), _floats(rows, "ci_high")))
    frame = rows.select(
        "condition",
        "maneuver",
        pl.col("measure").replace_strict(findings).alias("result"),
        "adjustment",
        "pre_test",
        pl.col("estimate").alias("lr"),
        _known("post_test", post_test(before, _floats(rows, "estimate"))),
        _known("ci_low", limits.low),
        _known("ci_high", limits.high),
        "n",
        "status",
        "flag",
        "note",
    )
    return conform("post_test", frame)


def _figures(
    rows: pl.DataFrame, table: TwoByTwo, measures: Collection[str], protocol: Protocol
) -> Iterator[tuple[Figures, BoolArray]]:
    """Each measure with the rows it is given for; predictive values at another prevalence where one is set."""
    choice = protocol.intervals
    prevalence = _set_prevalence(rows, protocol)
    is_set = ~np.isnan(prevalence)
    for measure in (one for one in PROPORTIONS if one in measures):
        is_given_here = ~is_set if measure in ("ppv", "npv") else np.ones_like(is_set)
        yield proportion(table, measure, choice), is_given_here
    for measure in (one for one in RATIO_EVENTS if one in measures):
        yield ratio(table, measure, choice), np.ones_like(is_set)
    if is_set.any():
        for measure in (one for one in ("ppv", "npv") if one in measures):
            yield predictive(table, measure, prevalence, choice), is_set


def _frame(
    rows: pl.DataFrame, table: TwoByTwo, figures: Figures, chosen: BoolArray, protocol: Protocol
) -> pl.DataFrame:
    """The rows of one measure, as columns of the table."""
    minimum = protocol.display.min_participants
    is_role = (rows["group_by"] == "role").to_numpy()
    clinical = [code for code in protocol.reference.accepted if protocol.is_clinical(code)]
    is_clinical = rows["condition"].is_in(clinical).to_numpy()
    said = [
        *remarks(table, figures, is_role=is_role, minimum=minimum),
        *_on_prevalence(rows, figures, protocol),
        Remark("clinical_reference", _CLINICAL, is_clinical),
    ]
    flag, note = in_words(said)
    return (
        rows.select(KEY)
        .with_columns(
            adjustment=pl.lit("none"),
            measure=pl.lit(figures.measure),
            estimate=_known("estimate", figures.estimate),
            ci_low=_known("ci_low", figures.limits.low),
            ci_high=_known("ci_high", figures.limits.high),
            level=pl.lit(protocol.intervals.level),
            interval=pl.Series(figures.interval),
            n=pl.Series(figures.n).cast(pl.Int64),
            events=pl.Series(figures.events).cast(pl.Int64),
            participants=pl.Series(figures.participants).cast(pl.Int64),
            deff=_known("deff", figures.effective.deff),
            n_effective=_known("n_effective", figures.effective.n),
            reference=pl.Series(np.where(is_clinical, "clinical_diagnosis", "best_available")),
            generalises_to=pl.Series(np.where(figures.is_new_examiners, "new_examiners", "these_examiners")),
            display=pl.Series(np.where(shows_estimate(table, figures, minimum), "estimate", "counts_only")),
            flag=pl.Series(flag),
            note=pl.Series(note),
        )
        .filter(pl.Series(chosen))
    )


def _on_prevalence(rows: pl.DataFrame, figures: Figures, protocol: Protocol) -> list[Remark]:
    """Predictive values at a prevalence that is not the local one, a remark for each."""
    if figures.measure not in ("ppv", "npv") or not figures.spans_both:
        return []
    prevalence = _set_prevalence(rows, protocol)
    sentence = "At a prevalence of {:.4g} %, set in the protocol."
    return [
        Remark("set_prevalence", sentence.format(100 * value), prevalence == value)
        for value in np.unique(prevalence[~np.isnan(prevalence)])
    ]


def _set_prevalence(rows: pl.DataFrame, protocol: Protocol) -> FloatArray:
    """The prevalence the protocol sets for each row's condition, NaN where it sets none."""
    by_condition = dict(protocol.predictive_values.prevalence)
    if not by_condition:
        return np.full(rows.height, np.nan)
    chosen = rows["condition"].replace_strict(by_condition, default=None, return_dtype=pl.Float64)
    return chosen.cast(pl.Float64).to_numpy()


def _floats(frame: pl.DataFrame, column: str) -> FloatArray:
    """A column as floats, NaN for null."""
    return frame[column].cast(pl.Float64).to_numpy()


def _known(name: str, values: FloatArray) -> pl.Series:
    """A column with null for what is NaN or infinite."""
    return pl.Series(name, np.where(np.isfinite(values), values, np.nan), nan_to_null=True)


_MEASURES = ("sensitivity", "specificity")
_KEY = ("condition", "maneuver", "group_by", "group", "measure")


class CountedScenario(Shape):
    """The overall tallies of one scenario and the protocol they were counted under."""

    @property
    def name(self) -> str: ...
    @property
    def tallies(self) -> pl.DataFrame: ...
    @property
    def protocol(self) -> Protocol: ...


def scenario_table(scenarios: Iterable[CountedScenario], main: pl.DataFrame, contract: Contract) -> pl.DataFrame:
    """Return the table `sensitivity_analyses`; `main` is the accuracy table on verified knees under the main choices.

    Intervals are those of the accuracy table. `difference` is null where either figure cannot be estimated; a condition
    that the scenario leaves without any reference has no row.
    """
    base = main.select(*_KEY, pl.col("estimate").alias("main"))
    parts = [
        accuracy_table(one.tallies, None, contract, one.protocol, _MEASURES)
        .join(base, on=list(_KEY), how="left", maintain_order="left")
        .with_columns(pl.lit(one.name).alias("scenario"), (pl.col("estimate") - pl.col("main")).alias("difference"))
        for one in scenarios
    ]
    columns = empty("sensitivity_analyses").columns
    return pl.concat([part.select(columns) for part in parts])
