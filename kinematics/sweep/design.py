"""Sample points of a study: each row depends on the study and the row's number only."""

from __future__ import annotations

import warnings
from functools import lru_cache

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.sweep.study import Study, Vary
from kinematics.uncertainty.monte_carlo import block_generator, open_uniform

LATIN_MAX_BYTES = 1_000_000_000
"""A Latin hypercube is made whole; a larger one is refused (ours)."""
SOBOL_MAX_DIMENSIONS = 21201
"""Dimensions that the Sobol' generator of scipy.stats.qmc has direction numbers for."""


def sample_points(study: Study, chunk: int) -> FloatArray:
    """Values of the varied fields in a chunk's rows, shape (rows, fields).

    Notes
    -----
    *Guarantee*: depends on the study and the chunk's number only, so rows are the same for any
    number and order of workers. *Source*: scipy.stats.qmc for ``sobol`` (scrambled) and
    ``latin_hypercube``.
    """
    rows = study.rows_of(chunk)
    n, d = len(rows), len(study.vary)
    if study.design == "grid":
        shape = tuple(len(v.values) for v in study.vary)
        index = np.unravel_index(np.arange(rows.start, rows.stop), shape)
        return np.stack([np.array(v.values)[i] for v, i in zip(study.vary, index)], axis=1)
    if study.design == "monte_carlo":
        u = open_uniform(n, d, rng=block_generator(study.seed, chunk))
    elif study.design == "sobol":
        engine = qmc.Sobol(d, scramble=True, rng=np.random.default_rng(study.seed))
        if rows.start:
            engine.fast_forward(rows.start)
        with warnings.catch_warnings():
            # One chunk of the sequence need not be a power of two long; the study says if it is.
            warnings.filterwarnings("ignore", message=".*balance properties.*")
            u = engine.random(n)
    else:
        u = latin_hypercube(study.samples, d, study.seed)[rows.start : rows.stop]
    u = np.clip(u, 2.0**-54, 1.0 - 2.0**-53)
    return np.stack([quantile(v, u[:, i]) for i, v in enumerate(study.vary)], axis=1)


def quantile(v: Vary, u: FloatArray) -> FloatArray:
    """Values of a varied field at probabilities ``u`` in (0, 1)."""
    if v.kind == "range":
        return v.low + (v.high - v.low) * u
    if v.kind == "normal":
        return v.low + v.high * ndtri(u)
    values = np.array(v.values)
    return values[np.minimum((u * len(values)).astype(int), len(values) - 1)]


def check_design(study: Study) -> None:
    """Refuse a design that cannot be made, saying how much memory it would take."""
    need = 8 * study.samples * len(study.vary)
    if study.design == "latin_hypercube" and need > LATIN_MAX_BYTES:
        got = f"a Latin hypercube of {study.samples:,} x {len(study.vary)} numbers "
        got += f"({need / 1e9:.1f} GB in memory)"
        fix = "Use design = 'sobol' or 'monte_carlo', which are made chunk by chunk."
        raise InputError("samples", got, f"at most {LATIN_MAX_BYTES / 1e9:g} GB", fix)
    if study.design == "sobol" and len(study.vary) > SOBOL_MAX_DIMENSIONS:
        got = f"{len(study.vary)} fields"
        raise InputError("vary", got, f"at most {SOBOL_MAX_DIMENSIONS}", "Vary fewer.")


@lru_cache(maxsize=1)
def latin_hypercube(samples: int, dimensions: int, seed: int) -> FloatArray:
    """The whole hypercube, shape (samples, dimensions), made once for all its chunks."""
    engine = qmc.LatinHypercube(dimensions, rng=np.random.default_rng(seed))
    return engine.random(samples)
