"""Which of a study's varied numbers matters most: Sobol' indices on the worst landmark error."""

from __future__ import annotations

import numpy as np

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.closure.stops import Stop
from kinematics.sweep.design import quantile
from kinematics.sweep.rows import evaluate_batch, evaluate_each, sweep_job
from kinematics.sweep.study import Study
from kinematics.uncertainty import ranking
from kinematics.uncertainty.populations import OFFSET_WORDS, OFFSETS

DEFAULT_SAMPLES_EACH = 128
"""Base samples (ours) where every sample is a case placed anew."""

FIELD_WORDS = {
    **{f"arbitrary_axis.{name}": word for name, word in zip(OFFSETS, OFFSET_WORDS, strict=True)},
    "record.thickness_mm": "thickness of the record",
    "record.opening_deg": "opening of the record",
    "target.vdo_change_mm": "change of the vertical dimension",
    "target.opening_deg": "opening of the target",
}
"""How a reader calls a field; any other field keeps its dotted name."""


def study_sensitivity(
    study: Study, *, stop: Stop | None = None, samples: int | None = None
) -> ranking.SobolResult:
    """Sobol' indices of a study's varied numbers, taken as independent, whatever its design.

    Parameters
    ----------
    study : Study
    stop : optional
        One of the study's stops; the first by default.
    samples : int, optional
        A power of two; by default 4096, 256 with first contacts, 128 case by case.

    Raises
    ------
    InputError
        The stop is not the study's, or a sample has no result.
    """
    chosen = stop or study.stops[0]
    if chosen not in study.stops:
        got = f"{chosen!r}"
        raise InputError("stops", got, "one of " + ", ".join(study.stops), "Add it to the study.")
    job = sweep_job(study)
    evaluate = evaluate_batch if job.batched else evaluate_each
    default = ranking.DEFAULT_SAMPLES_CONTACT if study.first_contact else ranking.DEFAULT_SAMPLES
    if not job.batched:
        default = DEFAULT_SAMPLES_EACH

    def worst(u: FloatArray) -> FloatArray:
        points = np.stack([quantile(v, u[:, i]) for i, v in enumerate(study.vary)], axis=1)
        return evaluate(job, points, threads=None)[f"worst_displacement_mm.{chosen}"]

    groups = [(FIELD_WORDS.get(v.field, v.field), (i,)) for i, v in enumerate(study.vary)]
    return ranking.sobol(
        worst,
        groups,
        len(groups),
        samples=samples or default,
        seed=study.seed,
    )
