"""Small chances against subset simulation by an independent reliability library (OpenTURNS).

Counting hardly resolves one in a thousand; subset simulation reaches it in steps of a tenth. First
order reliability (FORM) is no peer here: it counts one most probable point of several (left and
right molar, and either direction of a scatter) and finds about a third of these chances.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.makers.plans import REFERENCE, case_of, decision_of, plan_of
from tests.oracles.plain_decision import N_NORMALS, chances, displacements

PLANS = {entry["name"]: plan_of(entry) for entry in REFERENCE["plan"]}
MEASURED = PLANS["full arch fixed, 3 mm record, ear-bow 5 mm off"]
SCATTER = PLANS["scatter only, ear-bow SD 4.7 mm, 4 mm record, tolerance 0.3"]
TAILS = [
    (replace(MEASURED, tolerance_mm=0.1508), 1e-2),
    (replace(MEASURED, tolerance_mm=0.1624), 1e-3),
    (replace(SCATTER, tolerance_mm=0.697), 1e-2),
    (replace(SCATTER, tolerance_mm=0.8799), 1e-3),
]
"""Reference plans whose tolerance is set where the chance is about this."""
tails = pytest.mark.parametrize(("plan", "about"), TAILS)
SAMPLES_A_STEP, BLOCK = 20_000, 1_000


def by_subset_simulation(plan):
    """P(any landmark beyond) on the arbitrary axis, and its standard deviation."""
    ot = pytest.importorskip("openturns", reason="OPENTURNS ABSENT: tails have no independent peer")
    columns = [*range(4), *(range(4, 8) if plan.scatter_sd_mm else ()), 8]

    def largest(sample):
        z = np.zeros((len(sample), N_NORMALS))
        z[:, columns] = np.asarray(sample)
        return displacements(plan, z, "arbitrary").max(axis=1)[:, None].tolist()

    n = len(columns)
    sizes = ot.CompositeRandomVector(
        ot.PythonFunction(n, 1, func_sample=largest), ot.RandomVector(ot.Normal(n))
    )
    ot.RandomGenerator.SetSeed(1)
    run = ot.SubsetSampling(ot.ThresholdEvent(sizes, ot.Greater(), plan.tolerance_mm))
    run.setMaximumOuterSampling(SAMPLES_A_STEP // BLOCK)
    run.setBlockSize(BLOCK)
    run.run()
    found = run.getResult()
    chance = found.getProbabilityEstimate()
    return chance, chance * found.getCoefficientOfVariation()


@tails
def test_counting_agrees_with_subset_simulation(plan, about):
    chance, sd = by_subset_simulation(plan)
    draws = 200_000
    counted = chances(plan, draws=draws, seed=3)["arbitrary"]
    assert chance == pytest.approx(about, rel=0.25)
    assert sd < 0.1 * chance
    assert abs(counted - chance) < 3.0 * np.hypot(sd, np.sqrt(counted / draws))


@tails
def test_the_products_interval_holds_the_chance_of_subset_simulation(plan, about):
    chance, sd = by_subset_simulation(plan)
    told = decision_of(case_of(plan))["chance"]["arbitrary"]["closure"]
    assert told["low"] <= chance + 2.0 * sd
    assert told["high"] >= chance - 2.0 * sd
    assert told["high"] - told["low"] < about  # and it says something


def test_a_chance_that_no_draw_met_is_told_as_a_limit_and_not_as_nought():
    decision = decision_of(case_of(PLANS["single crown, thin record, ear-bow measured close"]))
    chance = decision["chance"]["arbitrary"]["closure"]
    assert chance["value"] == chance["low"] == 0.0
    assert 0.0 < chance["high"] < 0.001
    assert decision["outcome"] == "not_needed"
    assert " 0 %" not in decision["sentence"]
