"""Scans of the lower in another position: broken meshes are refused by their field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform

from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.case.read import case_from_dict, case_to_dict
from kinematics.casts.cast import load_cast
from kinematics.closure.place import place
from kinematics.inspection import inspect_case
from tests.casts.test_registration import arch
from tests.excursions.test_settings import MOUNTING, OFFSETS, SCANNED, case_with, motion_to

SHAPE = arch().moved(RigidTransform.from_translation([60.0, 0.0, -40.0]))
NO_NUMBER = SHAPE.vertices_mm.copy()
NO_NUMBER[5] = np.nan
BROKEN = {
    "not finite": replace(SHAPE, vertices_mm=NO_NUMBER),
    "no triangles": replace(SHAPE, faces=np.zeros((0, 3))),
    "zero area": replace(SHAPE, faces=np.zeros((9, 3))),
}


@pytest.fixture
def folder(tmp_path):
    """An unlabelled arch under its like; ``record.ply`` is the lower in a protrusive record."""
    upper = replace(SHAPE.moved(RigidTransform.from_translation([0.0, 0.0, 12.0])), arch="upper")
    SHAPE.moved((MOUNTING * SCANNED).inv()).write(tmp_path / "lower.ply")
    upper.moved(MOUNTING.inv()).write(tmp_path / "upper.ply")
    SHAPE.moved(MOUNTING.inv() * motion_to("protrusive")).write(tmp_path / "record.ply")
    return tmp_path


def with_record(folder):
    return case_with(folder, {"records": [{"kind": "protrusive", "file": "record.ply"}]})


def located(folder):
    """The same casts, their axis located from a scan at an opening."""
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "located",
            "casts": {
                "upper": "upper.ply",
                "lower": "lower.ply",
                "upper_scan_from_lower_scan": SCANNED.as_matrix().tolist(),
            },
            "mounting": {
                "method": "located_axis",
                "left": [0.0, 1.0, 0.0],
                "third_point_mm": [80.0, 30.0, 0.0],
                "openings": [{"file": "record.ply"}],
            },
            "arbitrary_axis": OFFSETS,
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"as_scanned": True},
        },
        folder=folder,
    )


@pytest.mark.parametrize("words", BROKEN)
@pytest.mark.parametrize(
    ("case_of", "field"),
    [(with_record, "articulator.records.0.file"), (located, "mounting.openings.0.file")],
)
def test_a_scan_without_a_usable_mesh_is_refused_by_its_field(folder, words, case_of, field):
    BROKEN[words].write(folder / "record.ply")
    with pytest.raises(InputError) as caught:
        place(case_of(folder))
    assert caught.value.where == field
    assert words in caught.value.got
    assert caught.value.file.endswith("record.ply")


def test_a_scan_in_a_record_is_in_the_unit_of_the_casts(folder):
    (before,) = place(with_record(folder)).scans.records
    for name in ("lower", "upper", "record"):
        cast, _ = load_cast(folder / f"{name}.ply", "upper" if name == "upper" else "lower")
        replace(cast, vertices_mm=0.1 * cast.vertices_mm).write(folder / f"{name}.ply")
    data = case_to_dict(with_record(folder))
    data["casts"]["unit"] = "cm"
    (after,) = place(case_from_dict(data, folder=folder)).scans.records
    one, other = (r.upper_scan_from_lower_scan.as_matrix() for r in (after, before))
    np.testing.assert_allclose(one, other, atol=1e-4)


@pytest.mark.parametrize("words", BROKEN)
@pytest.mark.parametrize("case_of", [with_record, located])
def test_a_broken_lower_is_named_before_a_scan_is_laid_on_it(folder, words, case_of):
    BROKEN[words].write(folder / "lower.ply")
    case = case_of(folder)
    with pytest.raises(InputError) as caught:
        place(case)
    assert caught.value.where == "lower.ply"
    assert words in caught.value.got
    seen = inspect_case(case)
    (error,) = [f for f in seen.findings if f.level == "error"]
    assert (error.where, seen.mounting) == ("lower.ply", None)
    assert set(seen.health) == {"upper", "lower"}


def test_an_inspection_keeps_what_it_knows_of_the_meshes_where_the_mounting_fails(folder):
    BROKEN["not finite"].write(folder / "record.ply")
    seen = inspect_case(located(folder))
    assert [f.where for f in seen.findings if f.level == "error"] == [
        f"{folder / 'record.ply'}: mounting.openings.0.file"
    ]
    assert seen.health["lower"].nonfinite_vertices == 0
    told = to_json(seen)
    assert told["mounting"] is None
    assert told["meshes"]["lower"]["nonfinite_vertices"] == 0


def test_a_scan_of_another_unit_than_the_casts_is_refused_with_the_unit_that_fits(folder):
    scan, _ = load_cast(folder / "record.ply", "lower")
    replace(scan, vertices_mm=0.001 * scan.vertices_mm).write(folder / "record.ply")
    with pytest.raises(InputError, match=r'mm when read in mm.*set unit = "m"') as caught:
        place(with_record(folder))
    assert caught.value.where == "articulator.records.0.file"
