"""Results kept from before the code was divided into rooms: every key and every number stays.

The kept files hold no versions and no digests of the casts. Where a result changes on purpose, its
key goes into ``PERMITTED`` with the reason.
"""

from __future__ import annotations

import gzip
import json
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kinematics.assessment import assess
from kinematics.case.read import read_case
from kinematics.result import result_dict

KEPT = Path(__file__).parent / "kept"
LEFT_OUT = r"\.versions|\.inputs\.(upper|lower)\.sha256"
"""What the kept files do not hold: it tells of the machine and of the casts' bytes."""
PERMITTED = {
    r"\.excursions\.caution": "one wording of the cautions, kinematics.base.words.CAUTIONS",
    r"\.schema": "hingewise-result/2",
    r"\.(verdict|decision)": "one decision by its chances in place of a verdict",
    r"\.uncertainty": "chances by way out in closure and excursions, the largest closure with the "
    "noise of record and planned OVD, the risk limit, defaults among the assumptions",
    r"\.teeth_together": "the stop 'contact' compares both bites at their own first contact",
    r"\.(error_motion|occlusal_map|landmarks\[\d+\]\.\w+)\.contact": "the same",
    r"\.landmarks\[\d+\]\.true_mm": "by stop (tested below)",
    r"\.angles_deg\.true(_contact)?": "by stop (tested below)",
    r"\.findings": "words of the case's own warnings",
}
"""Keys that may differ from the kept result, each with its reason."""


def differences(before: Any, now: Any, key: str = "") -> Iterator[str]:
    """Each difference as ``key: before -> now``; numbers to rounding."""
    if isinstance(before, dict) and isinstance(now, dict):
        for name in sorted(before.keys() | now.keys()):
            there = f"{key}.{name}"
            if re.fullmatch("|".join((LEFT_OUT, *PERMITTED)), there):
                continue
            if name not in now:
                yield f"{there}: gone"
            elif name not in before:
                yield f"{there}: new"
            else:
                yield from differences(before[name], now[name], there)
    elif isinstance(before, list) and isinstance(now, list):
        if len(before) != len(now):
            yield f"{key}: {len(before)} -> {len(now)} items"
        for i, (old, new) in enumerate(zip(before, now)):
            yield from differences(old, new, f"{key}[{i}]")
    elif type(before) is float or type(now) is float:
        if None in (before, now) or not math.isclose(before, now, rel_tol=1e-7, abs_tol=1e-9):
            yield f"{key}: {before} -> {now}"
    elif before != now:
        yield f"{key}: {before!r} -> {now!r}"


def kept(name: str) -> dict[str, Any]:
    return json.loads(gzip.decompress((KEPT / f"{name}.json.gz").read_bytes()))


def assert_kept(name: str, assessment: Any) -> None:
    now = json.loads(json.dumps(result_dict(assessment), allow_nan=False))
    told = list(differences(kept(name), now))
    assert not told, f"{len(told)} differences, key: before -> now\n" + "\n".join(told[:40])


def test_the_demo_gives_the_kept_result(demo_assessment):
    assert_kept("demo", demo_assessment)


def test_landmarks_with_uncertainty_and_articulator_give_the_kept_result():
    assert_kept("landmarks", assess(read_case(KEPT / "landmarks.toml")))


def test_what_stands_by_stop_is_what_was_kept(demo_assessment):
    before, now = kept("demo"), result_dict(demo_assessment)
    for old, new in zip(before["landmarks"], now["landmarks"], strict=True):
        for stop in ("equal_angle", "pin"):
            assert new["true_mm"][stop] == pytest.approx(old["true_mm"], abs=1e-9)
    angles = now["angles_deg"]["true"]
    assert angles["pin"] == angles["equal_angle"] == pytest.approx(before["angles_deg"]["true"])
    assert angles["contact"] == pytest.approx(before["angles_deg"]["true_contact"])


def test_tooth_contact_is_what_teeth_together_was(demo_assessment):
    before, now = kept("demo")["teeth_together"], demo_assessment.stops["contact"]
    assert now.error_mm == pytest.approx(np.array(before["error_mm"]), abs=1e-9)
    motion = np.array(before["error_motion"])
    assert now.error_motion.as_matrix() == pytest.approx(motion, abs=1e-9)


def test_the_spread_of_the_error_is_what_was_kept(demo_assessment):
    before, now = kept("demo")["uncertainty"], result_dict(demo_assessment)["uncertainty"]
    for name in ("quantities", "decision_chart", "trials", "seed", "population", "ranking"):
        assert not list(differences(before[name], json.loads(json.dumps(now[name])))), name
    names = {"as planned": "arbitrary axis", "located axis": "located axis"}
    for name, percentiles in now["worst_displacement_percentiles_mm"].items():
        old = before["worst_error_percentiles_mm"][names[name]]
        assert not list(differences(old, percentiles))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda r: r["departure"].update(incisors_mm=-2.0000005), ".departure.incisors_mm: -2.0"),
        (lambda r: r["landmarks"].pop(), ".landmarks: 37 -> 36 items"),
        (lambda r: r["departure"].pop("angle_deg"), ".departure.angle_deg: gone"),
        (lambda r: r["departure"].update(new=1), ".departure.new: new"),
        (lambda r: r.update(seed=21), ".seed: 20 -> 21"),
        (lambda r: r.update(label=None), ".label: 'demo: worn dentition' -> None"),
    ],
)
def test_a_difference_is_told_with_its_key_before_and_now(change, told):
    now = kept("demo")
    change(now)
    (line,) = differences(kept("demo"), now)
    assert line.startswith(told)
