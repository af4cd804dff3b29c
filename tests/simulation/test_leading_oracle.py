"""A plain sampler run for long gives the same leading estimate on whole clinics: the draws are those of the model.

The long run takes some minutes.
"""

from __future__ import annotations

import numpy as np
import pytest
from known_clinic import known_clinic
from plain_sampler import plain_figures

from examtally.analytics.bias_adjusted.figures import Cells, measures
from examtally.analytics.bias_adjusted.model import likelihood

CLINICS = {812_011: "acl_tear", 812_012: "medial_meniscus_tear", 812_013: "lateral_meniscus_tear"}
MANEUVERS = {
    "acl_tear": "lachman",
    "medial_meniscus_tear": "medial_joint_line_tenderness",
    "lateral_meniscus_tear": "lateral_joint_line_tenderness",
}
TURNS = 600_000
MEAN, LIMIT = 0.01, 0.02


@pytest.mark.study
@pytest.mark.parametrize("seed", CLINICS)
def test_a_plain_sampler_agrees_on_a_whole_clinic(seed: int) -> None:
    condition = CLINICS[seed]
    with known_clinic(seed, conditions=(condition,)) as clinic:
        model, chosen = clinic.models.fitted[condition], clinic.work.protocol.bias_adjusted
    maneuver = MANEUVERS[condition]
    result = model.knees.frame[f"result_{maneuver}"]
    present, absent = model.draws.sums(np.array([(result == code).to_numpy() for code in ("positive", "negative")]))
    ours = measures(Cells(tp=present[0], fp=absent[0], fn=present[1], tn=absent[1]))
    delta = (chosen.delta_mean, chosen.delta_spread)
    told = likelihood(model.knees, model.priors)
    plain = plain_figures(told, model.knees, maneuver, turns=TURNS, delta=delta, seed=seed)
    for measure, draws in plain.items():
        limits = [np.quantile(each, [0.025, 0.975]) for each in (ours[measure], draws)]
        print(f"\n{seed} {measure}: mean {ours[measure].mean():.3f} and {draws.mean():.3f}, limits {limits}")
        assert ours[measure].mean() == pytest.approx(draws.mean(), abs=MEAN)
        assert limits[0] == pytest.approx(limits[1], abs=LIMIT)
