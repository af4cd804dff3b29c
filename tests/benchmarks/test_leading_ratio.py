"""How long the leading estimate of every condition takes, from the records of a cohort to figures overall and by group.

One core does all of it; its own time is measured, so that other programs on the machine do not count. Beside it stands
the cohort that it is made from, drawing the clinic included.
"""

from __future__ import annotations

import time

import pytest
from known_clinic import known_clinic

from examtally.analytics.bias_adjusted.sampler import MET
from examtally.results.steps import leading

MOST_SECONDS = {3_000: 8, 20_000: 40, 200_000: 300}
LARGE = 200_000  # within the time of a full analysis in the benchmarks, by itself in `make study`


@pytest.mark.parametrize(
    "exams",
    [pytest.param(n, marks=pytest.mark.study if n == LARGE else pytest.mark.benchmark_ratio) for n in MOST_SECONDS],
)
def test_every_condition_of_a_clinic(exams: int) -> None:
    begin = time.process_time()
    with known_clinic(20317, exams=exams) as clinic:
        records = clinic.work.once(leading.records)
        drawn = time.process_time()
        models = clinic.work.once(leading.models)
        fitted = time.process_time()
        shown = [each for each in clinic.work.once(leading.leading_estimates) if each.basis == "bias_adjusted"]
        done = time.process_time()
        clinic.work.once(leading.severity_estimates)
        graded = time.process_time()
    apart = max(models.fitted[each.condition].r_hat for each in shown)
    print(
        f"\n{records.exams.height:,} index exams of {exams:,}, {len(models.fitted)} conditions, {len(shown):,} pairs "
        f"and groups shown: models {fitted - drawn:.1f} s, figures {done - fitted:.1f} s; by severity "
        f"{graded - done:.1f} s; R-hat at most {apart:.3f}; the cohort {drawn - begin:.1f} s "
        f"(ratio {(done - drawn) / (drawn - begin):.1f})"
    )
    assert apart <= MET
    assert done - drawn < MOST_SECONDS[exams]
