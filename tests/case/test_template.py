import itertools

import numpy as np
import pytest

from kinematics.base.errors import InputError
from kinematics.case.fields import as_rigid
from kinematics.case.read import read_case
from kinematics.case.remarks import findings
from kinematics.case.template import MEASUREMENTS, MOUNTINGS, template
from kinematics.excursions.settings import guidance_settings
from kinematics.mounting.mount import mount
from kinematics.uncertainty.populations import OFFSETS

CHOICES = [*itertools.combinations(MEASUREMENTS, 1), *itertools.combinations(MEASUREMENTS, 2)]
CHOICES += [(), tuple(MEASUREMENTS)]


@pytest.mark.parametrize("kind", list(MOUNTINGS))
def test_every_template_is_a_case_that_mounts_without_complaint(kind, tmp_path):
    for chosen in CHOICES:
        path = tmp_path / "case.toml"
        path.write_text(template(kind, chosen), encoding="utf-8")
        case = read_case(path)
        mounting = mount(case)
        remarks = [f for f in (*findings(case), *mounting.findings) if f.level != "note"]
        if kind == "average":
            assert [f.where for f in remarks] == ["mounting.method"], chosen
        else:
            assert remarks == [], chosen
        assert (case.casts is None) is (kind == "none")
        assert (case.marks is None) is ("marks" not in chosen)
        recorded = kind != "none" and "guidance_records" in chosen
        assert (case.articulator is None) is not (recorded or "articulator" in chosen)
        assert len([] if case.articulator is None else case.articulator.records) == 3 * recorded


@pytest.mark.parametrize("kind", list(MOUNTINGS))
def test_axis_that_was_never_located_gets_zero_offsets_and_an_uncertainty(kind, tmp_path):
    path = tmp_path / "case.toml"
    path.write_text(template(kind), encoding="utf-8")
    case = read_case(path)
    assert [getattr(case.arbitrary_axis, name) for name in OFFSETS] == [0.0] * 4
    assert case.uncertainty.arbitrary_axis == "normal"
    path.write_text(template(kind, {"located_axis"}), encoding="utf-8")
    assert read_case(path).arbitrary_axis.left_anterior_mm == 4.0


@pytest.mark.parametrize("kind", list(MOUNTINGS))
def test_template_carries_the_caution_and_its_lines_fit_a_screen(kind):
    text = template(kind, MEASUREMENTS)
    assert "not a medical device" in text
    assert max(len(line) for line in text.splitlines()) <= 100


def test_unknown_choice_names_the_nearest():
    with pytest.raises(InputError, match="'distances'"):
        template("distance")
    with pytest.raises(InputError, match="'third_point'"):
        template("matrix", {"third_points"})


def test_commented_alternatives_of_a_template_are_valid_too(tmp_path):
    path = tmp_path / "case.toml"
    for kind in MOUNTINGS:
        lines = template(kind, MEASUREMENTS).splitlines()
        for i, line in enumerate(lines):
            key = line.removeprefix("# ").split(" = ")[0]
            if not line.startswith("# ") or " = " not in line or " " in key:
                continue
            alone = [*lines[:i], line.removeprefix("# "), *lines[i + 1 :]]
            path.write_text("\n".join(alone), encoding="utf-8")
            try:
                read_case(path)
            except InputError as error:  # a second form of a table is refused, never its key
                assert "unknown key" not in str(error), line  # noqa: PT017


@pytest.mark.parametrize("kind", ["matrix", "axis_points", "fiducials"])
def test_the_example_records_set_an_articulator_that_a_patient_could_have(kind, tmp_path):
    """The elements of the example go 4 to 5 mm forwards; 40 deg and 4 to 8 deg by hand."""
    path = tmp_path / "case.toml"
    path.write_text(template(kind, {"guidance_records"}), encoding="utf-8")
    case = read_case(path)
    to_ao = mount(case).axis_orbital_from_upper_scan
    motions = {
        r.kind: to_ao * as_rigid(r.upper_scan_from_lower_scan) * to_ao.inv()
        for r in case.articulator.records
    }
    got = guidance_settings(case.articulator, 110.0, motions)
    assert got.findings == ()
    for side in ("left", "right"):
        inclination = getattr(got.settings, f"sagittal_inclination_{side}_deg")
        assert inclination == pytest.approx(np.degrees(np.arctan(4.2 / 5.0)), abs=0.5)
        assert 2.0 < getattr(got.settings, f"bennett_{side}_deg") < 15.0
