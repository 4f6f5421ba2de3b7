"""Figures of the excursions show the numbers that were computed, and the border is an arc."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from kinematics.articulator.instrument import ArticulatorSettings, build_articulator
from kinematics.base.axis import HingeAxis
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.excursions.compare import excursion_errors
from tests.makers.cases import landmarks_only
from tests.oracles.border import sagittal_border
from viewer.figures.draw import draw_figure

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
POINTS = np.array([[90.0, 0.0, -35.0], [50.0, 25.0, -35.0]])
TIP = np.array([130.0, 0.0, -35.0])


@pytest.fixture(scope="module")
def errors():
    forwards = {"left_anterior_mm": 6.0, "right_anterior_mm": 0.0}
    level = {"left_superior_mm": 0.0, "right_superior_mm": 0.0}
    geometry = geometry_of(place(landmarks_only(arbitrary_axis=forwards | level)))
    return excursion_errors(geometry, settings=ArticulatorSettings(), steps=4)


def lines(figure):
    return {line.get_gid(): line for axes in figure.axes for line in axes.lines if line.get_gid()}


def test_path_figure_draws_every_excursion_of_both_in_three_views(errors):
    drawn = lines(draw_figure("paths", errors, 1))
    assert sum(name.startswith("path-") for name in drawn) == 3 * 2 * 3
    move = errors.kinds["left_lateral"].patient_mm[:, 1] - POINTS[1]
    shown = drawn["path-left_lateral-true-10"].get_xydata()
    np.testing.assert_allclose(shown, move[:, [1, 0]], atol=1e-12)


def test_patient_and_articulator_differ_in_line_and_colour(errors):
    drawn = lines(draw_figure("paths", errors))
    patient, machine = (drawn[f"path-protrusion-{role}-02"] for role in ("true", "arbitrary"))
    assert patient.get_color() != machine.get_color()
    assert patient.get_linestyle() != machine.get_linestyle()


def test_error_figure_draws_every_landmark_in_micrometres(errors):
    drawn = lines(draw_figure("error", errors))
    size = 1e3 * np.linalg.norm(errors.kinds["right_lateral"].error_mm[:, 0], axis=1)
    np.testing.assert_allclose(drawn["excursion-error-right_lateral-0"].get_ydata(), size)
    np.testing.assert_allclose(
        drawn["excursion-error-right_lateral-0"].get_xdata(), np.linspace(0.0, 5.0, 5)
    )


def test_the_border_s_hinge_part_is_an_arc_and_its_protrusion_runs_forwards():
    border = sagittal_border(build_articulator(ArticulatorSettings(), TIP), POINTS[0], steps=6)
    radii = np.hypot(border.hinge_mm[:, 0], border.hinge_mm[:, 2])
    np.testing.assert_allclose(radii, radii[0])
    assert border.protrusive_mm[-1, 0] > border.protrusive_mm[0, 0]


def test_default_hinge_part_is_as_long_as_the_published_ones():
    """Section 3: mean 17.2 mm (READ), up to 20 mm (READ), 20 to 25 mm for 10 to 13 deg (MEM)."""
    border = sagittal_border(build_articulator(ArticulatorSettings(), TIP), POINTS[0])
    opening = np.linalg.norm(border.hinge_mm[-1] - border.hinge_mm[0])
    assert 17.2 <= opening <= 25.0


def test_drawing_leaves_no_global_figure_behind(errors):
    draw_figure("paths", errors)
    module = sys.modules.get("matplotlib.pyplot")
    assert module is None or module.get_fignums() == []
