"""Who was studied, what was counted of them, and accuracy on verified knees; corrections are added if asked for."""

from __future__ import annotations

import polars as pl

from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table, post_test_table, scenario_table
from examtally.cohort.scenarios import read_scenarios
from examtally.contracts.contract import Contract
from examtally.contracts.protocol.protocol import Protocol
from examtally.results.intake_tables import read_waiting
from examtally.results.work import Work


def cohort_summary(work: Work) -> pl.DataFrame:
    """Who was studied, and what still waits for its exam."""
    cohort = work.cohort
    work.say("Describing who was studied")
    parts = [cohort.summary(), read_waiting(work.registry.con, work.contract)]
    return work.conform("cohort_summary", pl.concat(parts, how="diagonal"))


def flow(work: Work) -> pl.DataFrame:
    """Every exam under the reason by which it ended."""
    cohort = work.cohort
    work.say("Following every exam to where it ends")
    return work.conform("flow", cohort.flow())


def counts(work: Work) -> pl.DataFrame:
    """The tallies of the cohort."""
    cohort = work.cohort
    work.say("Counting findings against references")
    return cohort.tallies()


def tallies(work: Work) -> pl.DataFrame:
    """Counts of findings against references, for every group."""
    counted = work.once(counts).with_columns(_unsettled(work.contract, work.protocol))
    return work.without_persons(work.conform("tallies", counted))


def _unsettled(contract: Contract, protocol: Protocol) -> list[pl.Expr]:
    """Flag and note of the conditions that nothing settles under this protocol."""
    notes = {
        code: condition.unsettled_note or "No accepted test settles this condition."
        for code, condition in contract.catalogue.conditions.items()
        if code not in protocol.reference.accepted
    }
    is_unsettled = pl.col("condition").is_in(list(notes))
    return [
        pl.when(is_unsettled).then(pl.lit("not_settled")).alias("flag"),
        pl.col("condition").replace_strict(notes, default=None, return_dtype=pl.String).alias("note"),
    ]


def accuracy(work: Work) -> pl.DataFrame:
    """Every figure of accuracy under every adjustment that is asked for."""
    counted = work.once(tallies)
    work.say("Estimating accuracy")
    made = accuracy_table(counted, work.cohort.role_clusters(), work.contract, work.protocol)
    if work.wants_corrections:
        from examtally.results.steps.corrections import with_corrections

        made = with_corrections(work, made)
    asked = [name for name in made["adjustment"].unique() if work.wants(name)]
    return work.conform("accuracy", made.filter(pl.col("adjustment").is_in(asked)))


def post_test(work: Work) -> pl.DataFrame:
    """What a finding does to a probability."""
    return post_test_table(work.once(accuracy), work.protocol)


def sensitivity_analyses(work: Work) -> pl.DataFrame:
    """What would change under other choices."""
    main = accuracy_table(work.once(counts), None, work.contract, work.protocol)
    work.say("Asking what would change under other choices")
    scenarios = read_scenarios(work.cohort, work.registry.con, work.contract, work.protocol)
    return work.conform("sensitivity_analyses", scenario_table(scenarios, main, work.contract))
