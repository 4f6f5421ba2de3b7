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

import pytest

from kinematics.assessment import assess
from kinematics.case.read import read_case
from kinematics.result import result_dict

KEPT = Path(__file__).parent / "kept"
LEFT_OUT = r"\.versions|\.inputs\.(upper|lower)\.sha256"
"""What the kept files do not hold: it tells of the machine and of the casts' bytes."""
PERMITTED = {
    r"\.excursions\.caution": "one wording of the cautions, kinematics.base.words.CAUTIONS",
    r"\.uncertainty\.(options|worst_error_percentiles_mm)": "ways out by the verdict's names; the "
    "same numbers (tested below)",
    r"\.verdict\.remedies\[2\]\.worst_landmark": "its error is 0 but for rounding (tested below), "
    "so that any landmark may have the largest",
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


def test_the_ways_out_have_the_kept_chances_under_the_verdicts_names(demo_assessment):
    before, now = kept("demo")["uncertainty"], result_dict(demo_assessment)["uncertainty"]
    options = {option["name"]: option for option in before["options"]}
    names = {
        "as planned": "arbitrary axis",
        "record at the target vertical dimension": "record at the target",
        "true axis": "located axis",
    }
    assert [way["name"] for way in now["options"]] == list(names)
    for way in now["options"]:
        old = options[names[way["name"]]]
        assert not list(differences(old, json.loads(json.dumps(way | {"name": old["name"]}))))
    for name, percentiles in now["worst_error_percentiles_mm"].items():
        old = before["worst_error_percentiles_mm"][names[name]]
        assert not list(differences(old, percentiles))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda r: r["departure"].update(incisors_mm=-2.0000005), ".departure.incisors_mm: -2.0"),
        (lambda r: r["landmarks"].pop(), ".landmarks: 37 -> 36 items"),
        (lambda r: r["verdict"].pop("stop"), ".verdict.stop: gone"),
        (lambda r: r["verdict"].update(new=1), ".verdict.new: new"),
        (lambda r: r.update(seed=21), ".seed: 20 -> 21"),
        (lambda r: r.update(label=None), ".label: 'demo: worn dentition' -> None"),
    ],
)
def test_a_difference_is_told_with_its_key_before_and_now(change, told):
    now = kept("demo")
    change(now)
    (line,) = differences(kept("demo"), now)
    assert line.startswith(told)


def test_the_way_out_whose_landmark_may_change_has_no_error(demo_assessment):
    way = demo_assessment.verdict.ways_out[2]
    assert way.name == "record at the target vertical dimension"
    assert way.error_mm < 1e-12
