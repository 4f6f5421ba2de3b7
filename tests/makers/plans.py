"""The reference plans, and a plan of the plain Monte Carlo as a case of the product."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np

from kinematics import assess, case_from_dict, place
from kinematics.case.read import Case
from kinematics.closure.geometry import geometry_of
from kinematics.result import result_dict
from tests import AUTHORITIES
from tests.oracles.plain_decision import Plan

REFERENCE: dict[str, Any] = tomllib.loads(
    (AUTHORITIES / "reference_plans.toml").read_text(encoding="utf-8")
)
OFFSETS = ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm")
NOTHING_UNCERTAIN = {"true_axis_sd_mm": 0.0, "record_thickness_sd_mm": 0.0, "target_sd_mm": 0.0}
"""``[uncertainty]`` that says so: a line that is left out has a default."""


def plan_of(entry: dict[str, Any]) -> Plan:
    """A reference plan's numbers, without its name and what is expected of it."""
    fields = {k: v for k, v in entry.items() if k in Plan.__dataclass_fields__}
    return Plan(record_sd_mm=REFERENCE["record_sd_mm"], **fields)


def case_of(plan: Plan, **changes: Any) -> Case:
    """The same plan as a case without casts; whatever else a budget may hold is not uncertain.

    A record in the scanned pose is ``opening_deg = 0``: a thickness of 0 is refused, and
    ``as_scanned`` would drop the record's own uncertainty.
    """
    scatter: dict[str, Any] = {"arbitrary_axis": "measured"}
    if plan.scatter_sd_mm is not None:
        scatter = {
            "arbitrary_axis": "normal",
            "sd_anterior_mm": plan.scatter_sd_mm,
            "sd_superior_mm": plan.scatter_sd_mm,
        }
    names = REFERENCE["landmarks"]
    tables: dict[str, Any] = {
        "schema": "hingewise-case/1",
        "label": "a plan",
        "true_axis": {"width_mm": 2.0 * plan.half_width_mm},
        "arbitrary_axis": dict(zip(OFFSETS, plan.offsets_mm, strict=True)),
        "record": {"thickness_mm": plan.record_mm, "site": "incisors"}
        if plan.record_mm > 0.0
        else {"opening_deg": 0.0},
        "target": {"vdo_change_mm": plan.ovd_change_mm, "site": "incisors"},
        "pin": {"tip_mm": list(plan.pin_mm)},
        "landmarks": [
            {"name": mark["name"], "tooth": mark["tooth"], "point_mm": list(point)}
            for mark, point in zip(names, plan.landmarks_mm, strict=True)
        ],
        "decision": {"tolerance_mm": plan.tolerance_mm, "stop": plan.stop},
        "uncertainty": {
            **scatter,
            "true_axis_sd_mm": plan.axis_sd_mm,
            "record_thickness_sd_mm": plan.record_sd_mm,
            "target_sd_mm": plan.ovd_sd_mm,
            "seed": 1,
        },
    }
    tables.update(changes)
    return case_from_dict({name: table for name, table in tables.items() if table is not None})


def decision_of(case: Case) -> dict[str, Any]:
    """The ``decision`` of a case's result."""
    return dict(result_dict(assess(case))["decision"])


def random_plan(rng: np.random.Generator) -> Plan:
    """A plan that a practice could have, drawn."""
    far = rng.uniform(1.0, 9.0)
    offsets = np.round(rng.uniform(-far, far, 4), 1).tolist()
    scatter = round(float(rng.uniform(0.9, 6.0)), 2) if rng.random() < 0.3 else None
    near, wide = rng.uniform(0.5, 2.0), rng.uniform(1.5, 6.0)
    record, change = ((wide, 0.0), (0.0, wide), (wide, near))[rng.integers(3)]
    return Plan(
        record_mm=round(float(record), 2),
        ovd_change_mm=round(float(change), 2),
        tolerance_mm=float(rng.choice([0.1, 0.1, 0.2, 0.3])),
        offsets_mm=tuple(offsets) if scatter is None else (0.0, 0.0, 0.0, 0.0),
        scatter_sd_mm=scatter,
        axis_sd_mm=round(float(rng.uniform(0.2, 2.0)), 2),
        record_sd_mm=round(float(rng.uniform(0.0, 0.3)), 2),
        ovd_sd_mm=round(float(rng.uniform(0.0, 0.5)), 2) if rng.random() < 0.5 else 0.0,
        half_width_mm=round(float(rng.uniform(48.0, 60.0)), 1),
        stop=str(rng.choice(["pin", "equal_angle"])),
    )


def plan_on_casts(case: Case) -> Plan:
    """The plan of a case whose arbitrary axis was measured, as the plain Monte Carlo takes it."""
    placed = place(case)
    marks, axes = placed.landmarks, placed.mounting
    record, target, table = case.record, case.target, case.uncertainty
    assert record.site == target.site == "incisors"
    assert table is not None
    assert axes.covariance is None
    offsets = [
        arbitrary - true
        for true, arbitrary in (
            (axes.true_axis.left_point_mm, axes.arbitrary_axis.left_point_mm),
            (axes.true_axis.right_point_mm, axes.arbitrary_axis.right_point_mm),
        )
    ]
    return Plan(
        record_mm=float(record.thickness_mm or 0.0),
        ovd_change_mm=float(target.vdo_change_mm or 0.0),
        tolerance_mm=case.decision.tolerance_mm,
        offsets_mm=tuple(float(o[c]) for o in offsets for c in (0, 2)),
        axis_sd_mm=table.true_axis_sd_mm,
        record_sd_mm=table.record_thickness_sd_mm,
        ovd_sd_mm=table.target_sd_mm,
        half_width_mm=float(axes.true_axis.left_point_mm[1]),
        pin_mm=tuple(geometry_of(placed).pin_tip_scanned_mm),
        landmarks_mm=tuple(tuple(point) for point in marks.points_mm),
        incisal_mm=tuple(marks.incisal_point_mm),
        stop=case.decision.stop,
    )
