"""How fast a sweep of first contacts runs: a function for the benchmarks, no test."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

from kinematics.sweep.rows import evaluate_chunk, sweep_job
from kinematics.sweep.study import study_from_dict


def sweep_speed(case: Path, *, samples: int = 2000, seed: int = 1) -> dict[str, Any]:
    """First-contact samples a second of a case whose four axis offsets vary by 4.7 mm (SD).

    One chunk on one thread and on all usable cores, side by side in this process, after a warm-up;
    the ratio is what ``make bench`` reports. ``minutes_for_100000`` is at the speed of all cores.
    """
    vary = [
        {"field": f"arbitrary_axis.{side}_{way}_mm", "mean": 0.0, "sd": 4.7}
        for side in ("left", "right")
        for way in ("anterior", "superior")
    ]
    study = study_from_dict(
        {
            "schema": "hingewise-study/1",
            "case": case.name,
            "design": "monte_carlo",
            "samples": samples,
            "chunk": min(max(samples, 10), 100_000),
            "seed": seed,
            "first_contact": True,
            "vary": vary,
        },
        folder=case.parent,
    )
    warm = study_from_dict(
        {
            "schema": "hingewise-study/1",
            "case": case.name,
            "samples": 20,
            "first_contact": True,
            "vary": vary,
        },
        folder=case.parent,
    )
    evaluate_chunk(sweep_job(warm), 0, threads=None)
    job = sweep_job(study)
    seconds = {}
    for name, threads in (("one_core", 1), ("all_cores", None)):
        begun = time.perf_counter()
        evaluate_chunk(job, 0, threads=threads)
        seconds[name] = time.perf_counter() - begun
    return {
        "samples": samples,
        "cores": len(os.sched_getaffinity(0)),
        "one_core_per_second": samples / seconds["one_core"],
        "all_cores_per_second": samples / seconds["all_cores"],
        "ratio_all_to_one": seconds["one_core"] / seconds["all_cores"],
        "minutes_for_100000": 100_000 / samples * seconds["all_cores"] / 60.0,
    }
