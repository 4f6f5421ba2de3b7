"""The main job in one piece: real casts, hand cases, and recomputing the written result."""

import json

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.closure.close import close
from kinematics.closure.place import place
from kinematics.inspection import inspect_case
from kinematics.result import result_dict
from tests.makers.cases import closed_pair, landmarks_only, open_pair


def recompute(result):
    """Landmark errors from the numbers of result.json alone, independent of the project's code."""
    errors = {}
    for stop in ("equal_angle", "pin", "contact"):
        phi = result["angles_deg"][stop]
        if phi is None:
            continue
        rows = []
        for mark in result["landmarks"]:
            ends = []
            for name, angle in (
                ("true_axis", result["angles_deg"]["true"][stop]),
                ("arbitrary_axis", phi),
            ):
                left = np.array(result[name]["left_point_mm"])
                right = np.array(result[name]["right_point_mm"])
                u = (right - left) / np.linalg.norm(right - left)
                turn = Rotation.from_rotvec(np.radians(angle) * u)
                ends.append(left + turn.apply(np.array(mark["record_mm"]) - left))
            rows.append(ends[1] - ends[0])
        errors[stop] = np.array(rows)
    return errors


@pytest.fixture(scope="module")
def plain():
    return assess(landmarks_only())


@pytest.fixture(scope="module")
def real(scans):
    return assess(open_pair(scans))


def test_a_plain_case_gives_the_printed_errors(plain):
    # published_values.md 8.6, A = (5, 0), 3 mm at the incisor: µm to 1e-3
    equal, pin = plain.stops["equal_angle"], plain.stops["pin"]
    np.testing.assert_allclose(
        1000 * equal.error_mm[:, [0, 2]], np.tile([2.8152, -167.7615], (3, 1)), atol=1e-3
    )
    np.testing.assert_allclose(1000 * pin.error_mm[0, [0, 2]], [49.9271, -53.6723], atol=1e-3)
    np.testing.assert_allclose(1000 * pin.error_mm[1, [0, 2]], [49.9631, -107.3447], atol=1e-3)


def test_removing_a_three_mm_record_is_a_departure_of_minus_three_mm(plain):
    # Opening is positive for what the user reads, so closing reads negative
    assert plain.departure_mm == pytest.approx(-3.0, abs=1e-12)
    assert plain.true_closing_deg > 0
    assert plain.closures.departure_deg == -plain.true_closing_deg


def test_raising_the_vertical_dimension_is_a_positive_departure():
    case = landmarks_only(
        record={"as_scanned": True}, target={"vdo_change_mm": 2.0, "site": "incisors"}
    )
    a = assess(case)
    assert a.departure_mm == pytest.approx(2.0, abs=1e-12)
    assert a.true_closing_deg < 0


def test_a_record_at_the_target_has_no_error_whatever_the_axis():
    same = {"thickness_mm": 3.0, "site": "incisors"}
    case = landmarks_only(record=same, target={"vdo_change_mm": 3.0, "site": "incisors"})
    a = assess(case)
    for result in a.stops.values():
        assert result.magnitude_mm.max() < 1e-12
    assert a.decision.outcome == "not_needed"


def test_every_way_out_is_the_error_of_its_own_assessment(plain):
    tight = assess(landmarks_only(decision={"tolerance_mm": 0.05}))
    by_name = {r.name: r for r in tight.decision.ways_out}
    assert not tight.decision.holds
    planned = by_name["as planned"]
    assert planned.displacement_mm == pytest.approx(tight.stops["pin"].worst[1], abs=1e-12)
    thinner = by_name["thinner record"]
    again = assess(landmarks_only(record={"thickness_mm": thinner.closure_mm, "site": "incisors"}))
    assert again.stops["pin"].worst[1] == pytest.approx(thinner.displacement_mm, abs=1e-9)
    none = {f"{s}_{d}_mm": 0.0 for s in ("left", "right") for d in ("anterior", "superior")}
    located = assess(landmarks_only(arbitrary_axis=none))
    told = by_name["located axis"].displacement_mm
    assert located.stops["pin"].worst[1] == pytest.approx(told, abs=1e-12)


def test_curve_passes_through_the_plan_and_through_zero(plain):
    curve = plain.curve
    for stop, errors in curve.worst_error_mm.items():
        planned = np.interp(plain.departure_mm, curve.departure_mm, errors)
        assert planned == pytest.approx(plain.stops[stop].magnitude_mm.max(), rel=0.02)
        assert errors[np.argmin(np.abs(curve.departure_mm))] < 1e-12


def test_real_open_pair_meets_at_the_angle_that_a_general_library_found(real):
    # README of the scans: 4.412162 degrees by bisection on a general collision library
    assert real.contact_true.closing_deg == pytest.approx(4.412162, abs=1e-6)
    assert real.contact_true.point_mm[0] > real.landmarks.points_mm[:, 0].mean()
    assert real.true_closing_deg == pytest.approx(real.contact_true.closing_deg, abs=1e-12)


def test_real_open_pair_has_all_three_stops_and_a_map(real):
    assert set(real.stops) == {"equal_angle", "pin", "contact"}
    assert len(real.closures.occlusal_index) > 500
    for high in real.closures.occlusal_high_mm.values():
        assert len(high) == len(real.closures.occlusal_index)
        assert 0.01 < np.abs(high).max() < 2.0


def test_where_teeth_stop_the_articulator_it_touches_and_does_not_pass(real, scans):
    import fcl

    from kinematics.base.axis import closing_motion

    def body(cast):
        model = fcl.BVHModel()
        model.beginModel(len(cast.vertices_mm), len(cast.faces))
        model.addSubModel(cast.vertices_mm, cast.faces)
        model.endModel()
        return model

    upper, lower = body(real.upper), body(real.closures.lower_record)
    for beyond, hit in ((-1e-5, False), (1e-5, True)):
        motion = closing_motion(real.arbitrary_axis, real.stops["contact"].closing_deg + beyond)
        place = fcl.Transform(motion.rotation.as_matrix(), motion.translation)
        count = fcl.collide(
            fcl.CollisionObject(upper), fcl.CollisionObject(lower, place), fcl.CollisionRequest()
        )
        assert bool(count) is hit


@pytest.mark.parametrize("which", ["plain", "real"])
def test_result_json_can_be_recomputed_from_its_own_numbers(which, request):
    a = request.getfixturevalue(which)
    result = json.loads(json.dumps(result_dict(a), allow_nan=False))
    for stop, errors in recompute(result).items():
        written = np.array([m["error_mm"][stop] for m in result["landmarks"]])
        np.testing.assert_allclose(errors, written, atol=1e-10)
        matrix = np.array(result["error_motion"][stop])
        for mark in result["landmarks"]:
            moved = matrix[:3, :3] @ mark["true_mm"][stop] + matrix[:3, 3]
            np.testing.assert_allclose(moved, mark["articulator_mm"][stop], atol=1e-10)


def test_tooth_contact_compares_both_bites_whatever_the_planned_ovd(real, scans):
    lowered = {"vdo_change_mm": -4.0, "site": "incisors"}
    raised = close(place(open_pair(scans, target=lowered, decision={"stop": "contact"})))
    # The same record and axes: both bites meet where they met before, whatever the target
    one, other = raised.stops["contact"], real.stops["contact"]
    np.testing.assert_allclose(one.error_mm, other.error_mm, atol=1e-9)
    np.testing.assert_allclose(one.true_mm, other.true_mm, atol=1e-9)
    assert one.true_closing_deg == pytest.approx(raised.contact_true.closing_deg)
    assert raised.stops["pin"].true_closing_deg == raised.true_closing_deg


def test_the_result_file_tells_the_contacts_and_the_map(real, plain):
    told = result_dict(real)
    for who, report in (("true", real.contact_true), ("arbitrary", real.contact_arbitrary)):
        there = told["first_contact"][who]
        assert there["point_mm"] == report.point_mm.tolist()
        assert there["angle_deg"] == report.closing_deg
    for stop, high in real.closures.occlusal_high_mm.items():
        row = told["occlusal_map"][stop]
        assert (row["most_open_mm"], row["highest_mm"]) == (high.min(), high.max())
        assert row["vertices"] == len(high) > 0
    assert result_dict(plain)["first_contact"]["true"]["point_mm"] is None
    for arch in ("upper", "lower"):
        row = told["inputs"][arch]
        assert (row["unit"], row["file"]) == ("mm", f"open_pair_{arch}.stl")
        assert row["faces"] == real.placed.scans.health[arch].n_faces


def test_progress_only_grows_from_0_to_1_with_a_risk_as_well():
    told = []
    case = landmarks_only(uncertainty={"true_axis_sd_mm": 0.5})
    assess(case, progress=lambda words, share: told.append(share))
    assert told == sorted(told)
    assert 0.0 <= told[0] < 0.9 < told[-1] <= 1.0


def test_pin_tip_stands_at_the_patients_height(real):
    from kinematics.base.axis import closing_motion

    held = closing_motion(real.arbitrary_axis, real.stops["pin"].closing_deg).apply(
        real.geometry.pin_tip_record_mm
    )
    assert held[2] == pytest.approx(real.geometry.pin_tip_target_mm[2], abs=1e-10)


def test_real_closed_pair_overlaps_as_its_readme_says_and_is_assessed(scans):
    inspection = inspect_case(closed_pair(scans))
    # README of the scans: stored closed, interpenetrating by up to 0.73 mm
    assert inspection.overlap_mm == pytest.approx(0.73, abs=0.02)
    assert not [f for f in inspection.findings if f.level == "error"]
    told = to_json(inspection)
    assert (told["mounting"]["method"], told["overlap_mm"]) == ("average", inspection.overlap_mm)
    a = assess(closed_pair(scans))
    assert set(a.stops) == {"equal_angle", "pin", "contact"}
    # It meets short of the scanned pose, by the opening that clears it (the record is pure hinge)
    assert a.true_closing_deg - a.contact_true.closing_deg == pytest.approx(
        inspection.clearing_opening_deg, abs=1e-6
    )
    assert 0.1 < a.decision.worst.displacement_mm < 0.3


def test_a_symmetric_pair_on_a_symmetric_error_has_symmetric_errors(scans):
    even = {f"{s}_{d}_mm": 4.0 for s in ("left", "right") for d in ("anterior", "superior")}
    a = assess(closed_pair(scans, arbitrary_axis=even))
    by_name = dict(zip(a.landmarks.names, a.stops["pin"].error_mm, strict=True))
    for site in ("posterior", "middle"):
        left, right = by_name[f"left {site} site"], by_name[f"right {site} site"]
        np.testing.assert_allclose(left, right * [1, -1, 1], atol=1e-9)


def test_same_case_same_result_bytes(real, scans):
    again = assess(open_pair(scans))
    assert json.dumps(result_dict(real)) == json.dumps(result_dict(again))


def test_first_contact_without_casts_is_refused():
    with pytest.raises(InputError, match=r"target\.first_contact: got no casts"):
        assess(landmarks_only(target={"first_contact": True}))


def test_an_unknown_site_is_refused_by_name(scans):
    case = open_pair(
        scans, target={"vdo_change_mm": -3.0, "site": "incisor"}, record={"as_scanned": True}
    )
    with pytest.raises(InputError, match=r"target\.site: got 'incisor', need 'incisors', 'pin' or"):
        assess(case)


def test_swapped_casts_are_refused(scans):
    right = open_pair(scans).casts
    casts = {
        "upper": right.lower,
        "lower": right.upper,
        "scanned_at": "record",
        "allow_outside": True,
    }
    case = open_pair(scans, casts=casts)
    with pytest.raises(InputError, match=r"upper cast lies .* below the lower.*Exchange the two"):
        assess(case)
