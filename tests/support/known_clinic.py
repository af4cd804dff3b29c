"""A synthetic clinic in memory, its figures under every adjustment beside the truth that they aim at."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np
import polars as pl

from examtally.analytics.bias_adjusted.model import BiasModels
from examtally.analytics.bias_adjusted.tables import with_bias_adjusted
from examtally.analytics.diagnostic_accuracy.accuracy import accuracy_table
from examtally.analytics.imperfect_reference.tables import with_reference_error
from examtally.analytics.verification_bias.aipw import aipw
from examtally.analytics.verification_bias.tables import with_corrected
from examtally.contracts.protocol.protocol import load_protocol
from examtally.results.steps import accuracy, corrections, imperfect_reference, leading
from examtally.results.work import Work
from examtally.synthesis.clinic import draw_parts, open_clinic
from examtally.synthesis.estimands import Truth
from examtally.synthesis.findings import NEGATIVE, POSITIVE
from examtally.synthesis.membership import MemoryCohort
from examtally.synthesis.scenario_file import load_scenario

REFERENCE_PEOPLE = 4_500  # the parameters of the large population are not asked for here
ADJUSTMENTS = ("none", "verification", "reference_error", "bias_adjusted")
TRUE_STATUS = "true_status"


@dataclass(frozen=True)
class KnownClinic:
    """An analysis under way of a clinic whose truth is known; `place` is each verification row's exam in `truth`."""

    work: Work
    truth: Truth
    place: np.ndarray
    severities: Mapping[str, np.ndarray]

    def severity(self, condition: str, rows: np.ndarray) -> np.ndarray:
        """True degree at these rows of the verification frame, None where it has none."""
        return self.severities[condition][self.place[rows]]

    @property
    def models(self) -> BiasModels:
        return self.work.once(leading.models)

    def present(self, condition: str, rows: np.ndarray) -> np.ndarray:
        """Whether the condition is truly there, at these rows of the verification frame."""
        return self.truth.present[condition][self.place[rows]]

    def chances(self, maneuver: str, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Hidden chance of a positive finding, and whether a clear one stands on the sheet."""
        column = self.truth.found.maneuvers.index(maneuver)
        exams = self.place[rows]
        clear = np.isin(self.truth.found.result[exams, column], (POSITIVE, NEGATIVE))
        return self.truth.found.probability[exams, column].astype(float), clear


@contextmanager
def known_clinic(
    seed: int,
    *,
    world: Path | None = None,
    exams: int | None = None,
    protocol: Mapping[str, Any] | None = None,
    conditions: Sequence[str] | None = None,
) -> Iterator[KnownClinic]:
    """Draw the clinic of a scenario at a seed; about `exams` exams, those of the scenario where not given.

    With `conditions` nothing settles any other condition, which saves time.
    """
    scenario = replace(load_scenario(world), reference_people=REFERENCE_PEOPLE)
    clinic = open_clinic(scenario, seed)
    contract, truths, degrees = clinic.context.contract, [], []
    graded = [code for code, plan in scenario.conditions.items() if plan.severity is not None]
    with MemoryCohort(contract) as memory:
        for part in draw_parts(clinic, exams or scenario.exams):
            memory.add(part.records)
            truths.append(Truth.of(part.drawn, contract))
            degrees.append({code: part.drawn.seen.exams.coded[code].text() for code in graded})
        registry: Any = SimpleNamespace(con=memory.con)
        chosen = load_protocol(protocol, contract)
        if conditions is not None:
            accepted = MappingProxyType({code: chosen.reference.accepted[code] for code in conditions})
            chosen = replace(chosen, reference=replace(chosen.reference, accepted=accepted))
        work = Work(registry, contract, chosen, with_examiners=False, progress=None)
        try:
            con = work.cohort.con
            every = con.sql("select ek from cohort_exams order by ek").pl()["ek"].to_numpy()
            chosen = con.sql(
                "select ek from cohort_exams join participant_keys using (pk) where (own_bits & ~open_bits) <> 0 "
                "order by participant_id, exam_id"
            ).pl()["ek"]
            severities = {code: np.concatenate([each[code] for each in degrees]) for code in graded}
            yield KnownClinic(work, Truth.joined(truths), np.searchsorted(every, chosen.to_numpy()), severities)
        finally:
            work.close()


def overall_accuracy(work: Work) -> pl.DataFrame:
    """The overall rows of the accuracy table without pooling."""
    counted = work.once(accuracy.tallies).filter(group_by="overall")
    made = accuracy_table(counted, None, work.contract, work.protocol)
    made = with_corrected(made, work.once(corrections.verifications))
    made = with_reference_error(made, work.once(imperfect_reference.pairs), work.protocol)
    return with_bias_adjusted(made, work.once(leading.leading_estimates))


def scored(clinic: KnownClinic, pairs: Sequence[tuple[str, str]]) -> pl.DataFrame:
    """Truth, estimate and limits of sensitivity and specificity of each pair under each adjustment; null if withheld.

    The truth is the mean hidden chance over the knees examined. `true_status` is AIPW that knows the true status of
    every verified knee, with all terms of the leading model: what the imaging alone leaves to be known.
    """
    accuracy = overall_accuracy(clinic.work).filter(pl.col("adjustment").is_in(ADJUSTMENTS))
    rows = []
    for condition, maneuver in pairs:
        models = clinic.models
        knees = models.fitted[condition].knees if condition in models.fitted else models.unfitted[condition]
        present = clinic.present(condition, knees.rows)
        chance, clear = clinic.chances(maneuver, knees.rows)
        sides = {"sensitivity": (present, chance), "specificity": (~present, 1 - chance)}
        result = knees.frame[f"result_{maneuver}"]
        test = np.where((result == "positive").to_numpy(), 1.0, np.where(clear, 0.0, np.nan))
        best = aipw(test, present, knees.is_verified, knees.terms.columns, knees.participants)
        for measure, (side, right) in sides.items():
            inside = side & clear
            truth = float(right[inside].mean()) if inside.any() else None
            key = {"condition": condition, "maneuver": maneuver, "measure": measure, "truth": truth}
            found = accuracy.filter(condition=condition, maneuver=maneuver, measure=measure)
            for row in found.iter_rows(named=True):
                rows.append(key | {name: row[name] for name in ("adjustment", "estimate", "ci_low", "ci_high")})
            figure = getattr(best, measure)
            values = (figure.estimate, figure.ci_low, figure.ci_high) if figure else (None, None, None)
            rows.append(
                key | {"adjustment": TRUE_STATUS} | dict(zip(("estimate", "ci_low", "ci_high"), values, strict=True))
            )
    return pl.DataFrame(rows, infer_schema_length=None)
