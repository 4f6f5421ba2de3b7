"""The reference plans: agreed chances and outcomes, by the plain Monte Carlo and by the product."""

import numpy as np
import pytest

from kinematics import assess
from tests.makers.cases import closed_pair, open_pair
from tests.makers.plans import (
    NOTHING_UNCERTAIN,
    OFFSETS,
    REFERENCE,
    case_of,
    decision_of,
    plan_of,
)
from tests.oracles.plain_decision import chances

PLANS = REFERENCE["plan"]
WAYS = ("arbitrary", "located", "record_at_planned")
LIMIT = REFERENCE["risk_limit"]
named = pytest.mark.parametrize("entry", PLANS, ids=[p["name"].replace(" ", "_") for p in PLANS])


def outcome_of(chance):
    """The rule in one line each; the limit itself is kept."""
    if chance["arbitrary"] <= LIMIT:
        return "not_needed"
    return "worth_it" if chance["located"] <= LIMIT else "helps_not_enough"


def test_the_set_holds_every_outcome_and_its_outcomes_follow_from_its_chances():
    assert len(PLANS) == 13
    assert {p["outcome"] for p in PLANS} == {"not_needed", "worth_it", "helps_not_enough"}
    for plan in PLANS:
        assert plan["outcome"] == outcome_of(plan["chance"]), plan["name"]


def compared(entry, draws, abs_):
    found = chances(plan_of(entry), draws=draws)
    for way in WAYS:
        assert found[way] == pytest.approx(entry["chance"][way], abs=abs_), way
    assert outcome_of(found) == entry["outcome"]


@named
def test_a_plain_monte_carlo_gives_the_printed_chances(entry):
    compared(entry, 200_000, 0.003)


@pytest.mark.long
@named
def test_a_longer_plain_monte_carlo_gives_them_more_closely(entry):
    compared(entry, 400_000, 0.002)


@named
def test_a_plan_can_be_told_as_a_case(entry):
    """Which numbers reach the closure: record, planned OVD, axes, pin and landmarks."""
    plan = plan_of(entry)
    found = assess(case_of(plan, uncertainty=None))
    assert found.departure_mm == pytest.approx(-plan.closure_mm, abs=1e-9)
    moved = found.arbitrary_axis.left_point_mm - found.true_axis.left_point_mm
    assert moved == pytest.approx([plan.offsets_mm[0], 0.0, plan.offsets_mm[1]])
    incisal = np.array(plan.landmarks_mm[0])
    assert found.landmarks.incisal_point_mm[2] == pytest.approx(incisal[2] - plan.ovd_change_mm)


@named
def test_the_product_gives_the_agreed_outcome_and_chances(entry):
    decision = decision_of(case_of(plan_of(entry)))
    for way in WAYS:
        chance = decision["chance"][way]["closure"]
        assert chance["value"] == pytest.approx(entry["chance"][way], abs=0.01), way
        assert chance["low"] - 1e-12 <= chance["value"] <= chance["high"] + 1e-12
        assert decision["chance"][way]["excursions"] is None
        assert decision["chance"][way]["either"] == chance
    assert decision["outcome"] == entry["outcome"]
    assert decision["risk_limit"] == LIMIT
    if entry["outcome"] != "not_needed":
        assert decision["limited_by"] == "closure"


def test_a_record_at_the_planned_ovd_is_limited_by_the_excursions():
    entry = REFERENCE["excursions_limit"]
    articulator = {
        "intercondylar_mm": 110.0,
        "sagittal_inclination_left_deg": 40.0,
        "sagittal_inclination_right_deg": 40.0,
        "bennett_left_deg": 10.0,
        "bennett_right_deg": 10.0,
        "incisal_sagittal_deg": 30.0,
    }
    decision = decision_of(case_of(plan_of(entry), articulator=articulator))
    chance = decision["chance"]["arbitrary"]
    assert chance["closure"]["value"] <= 0.001
    assert chance["excursions"]["value"] > LIMIT
    assert chance["either"]["value"] >= chance["excursions"]["value"]
    assert decision["limited_by"] == entry["limited_by"]
    assert decision["outcome"] != entry["not_outcome"]
    planned = next(w for w in decision["ways_out"] if "planned" in w["name"])
    assert not planned["holds"]


@pytest.mark.parametrize("stop", ["equal_angle", "pin", "contact"])
@pytest.mark.parametrize("pair", [closed_pair, pytest.param(open_pair, marks=pytest.mark.long)])
def test_a_pair_of_scans_on_the_true_axis_needs_no_locating(scans, pair, stop):
    entry = REFERENCE["same_axis"]
    case = pair(
        scans,
        arbitrary_axis=dict.fromkeys(OFFSETS, 0.0),
        uncertainty=NOTHING_UNCERTAIN,
        decision={"tolerance_mm": entry["tolerance_mm"], "stop": stop},
    )
    decision = decision_of(case)
    assert decision["outcome"] == entry["outcome"]
    assert decision["worst"]["displacement_mm"] == pytest.approx(0.0, abs=1e-6)
