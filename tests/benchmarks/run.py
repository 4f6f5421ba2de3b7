"""Measure first contact and closures beside other libraries: one table, one JSON file.

``python -m tests.benchmarks.run --quick|--full -o FILE.json``
"""

from __future__ import annotations

import argparse
import json
import math
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.files import write_file
from kinematics.closure.batch import ANGLE, OpeningRule
from kinematics.closure.batch import closures as closures_of
from kinematics.contact.first_contact import PreparedPair, first_contact, first_contacts, prepare
from tests import REPO
from tests.benchmarks.hand_sweep_speed import sweep_speed
from tests.benchmarks.peers import PEERS
from tests.makers.casts import CONDYLAR_AXIS, Mesh, scan_pair
from tests.makers.memory import peak_mb

CASTS = REPO / "bench_out" / "casts"
MACHINE = "2-core x86-64 container, 24 GiB"
AXIS = HingeAxis((-85.0, 55.0, 40.0), (-85.0, -55.0, 40.0))
"""Axis of the synthetic casts, in their own frame."""
RECORD_OPENING_DEG = 2.0
Timed = tuple[float, Any]


def casts(triangles: int) -> tuple[Mesh, Mesh]:
    """Synthetic casts, opened by 2 degrees; kept in bench_out between runs."""
    path = CASTS / f"{triangles}.npz"
    if not path.exists():
        from kinematics.casts.synthetic.dentition import generate_pair

        up, low = generate_pair(triangles_per_cast=triangles, seed=1)
        opened = opening_motion(AXIS, RECORD_OPENING_DEG).apply(low.vertices_mm)
        CASTS.mkdir(parents=True, exist_ok=True)
        np.savez(path, uv=up.vertices_mm, uf=up.faces, lv=opened, lf=low.faces)
    d = np.load(path)
    return (d["uv"], d["uf"]), (d["lv"], d["lf"])


def best_of(
    action: Callable[[], Any], *, times: int, clock: Callable[[], float] = time.process_time
) -> Timed:
    """Shortest time of several runs, and the last answer."""
    least, answer = math.inf, None
    for _ in range(times):
        start = clock()
        answer = action()
        least = min(least, clock() - start)
    return least, answer


def one_axis(name: str, upper: Mesh, lower: Mesh, axis: HingeAxis, peers: list[str]) -> dict:
    """Our time and each peer's, with each one's departure from our angle."""
    prepare_s, pair = best_of(lambda: prepare(*upper, *lower), times=2)
    ours_s, ours = best_of(lambda: first_contact(pair, axis), times=7)
    t = math.radians(ours.closing_deg)
    row = {
        "casts": name,
        "triangles": [len(upper[1]), len(lower[1])],
        "prepare_s": prepare_s,
        "ours_ms": ours_s * 1e3,
        "closing_deg": ours.closing_deg,
        "peers": {},
    }
    for peer in peers:
        solve = PEERS[peer](upper, lower)
        seconds, angle = best_of(
            lambda: solve(axis.left_point_mm, axis.right_point_mm),  # noqa: B023
            times=3 if "bisection" in peer and "VTK" not in peer else 1,
        )
        row["peers"][peer] = {
            "ms": seconds * 1e3,
            "ratio": seconds / ours_s,
            "departure_rad": abs(angle - t),
        }
        print(
            f"  {name:>12}  {peer:<26} {seconds * 1e3:9.1f} ms  ours {ours_s * 1e3:7.2f} ms"
            f"  ratio {seconds / ours_s:8.1f}  off by {abs(angle - t):.1e} rad",
            flush=True,
        )
    return row


def many_axes(
    name: str,
    pair: PreparedPair,
    axis: HingeAxis,
    number: int,
    scatter_mm: float,
    bisection_ms: float,
    casts_of_cloud: tuple[Mesh, Mesh],
) -> dict:
    """Time an axis of a cloud, on one thread and on all, and agreement with the one-axis path."""
    rng = np.random.default_rng(20)
    centre = np.stack([axis.left_point_mm, axis.right_point_mm])
    across = np.eye(3) - np.outer(axis.direction, axis.direction)
    axes = centre + rng.normal(0, scatter_mm, (number, 2, 3)) @ across
    cores = len(os.sched_getaffinity(0))
    wall, cpu = time.perf_counter(), time.process_time()
    cloud = first_contacts(pair, axes, threads=1)
    wall_one, cpu_s = time.perf_counter() - wall, time.process_time() - cpu
    wall_all, _ = best_of(
        lambda: first_contacts(pair, axes, threads=cores), times=1, clock=time.perf_counter
    )
    sample = rng.choice(number, min(40, number), replace=False)
    alone = [first_contact(pair, HingeAxis(*axes[i])).closing_deg for i in sample]
    solve = PEERS["python-fcl bisection"](*casts_of_cloud)
    some = sample[:8]  # the peer on axes of this very cloud: a wide cloud's are quicker for it too
    own_s, _ = best_of(lambda: [solve(*axes[i]) for i in some], times=1)
    apart_deg = np.abs(cloud.closing_deg[sample] - np.array(alone))
    largest = float(np.radians(np.nanmax(apart_deg)))
    row = {
        "casts": name,
        "axes": number,
        "scatter_mm": scatter_mm,
        "us_per_axis_one_core": cpu_s / number * 1e6,
        "ratio_to_bisection": bisection_ms * 1e-3 / (cpu_s / number),
        "ratio_on_its_own_axes": own_s / len(some) / (cpu_s / number),
        "threads": cores,
        "threads_ratio": wall_one / wall_all,
        "largest_difference_rad": largest,
    }
    print(
        f"  {name:>12}  {number} axes, {scatter_mm:g} mm:"
        f" {row['us_per_axis_one_core']:.0f} us an axis,"
        f" {row['ratio_to_bisection']:.0f} times faster than bisection"
        f" ({row['ratio_on_its_own_axes']:.0f} on its own axes);"
        f" {cores} threads {row['threads_ratio']:.2f}; differs by"
        f" {row['largest_difference_rad']:.1e} rad",
        flush=True,
    )
    return row


def closed(true: HingeAxis, axes: np.ndarray, points: np.ndarray, phi: np.ndarray) -> np.ndarray:
    """Errors of a cloud of axes after 2 degrees about the true one, shape (n, k, 3), mm."""
    n, rule = len(axes), OpeningRule(ANGLE, 0.0, points[0])
    return closures_of(
        true.points_mm[None], axes, points, None, points[0], rule, np.full(n, 2.0),
        rule, np.zeros(n), "contact", contact_closing_deg=np.stack([np.full(n, 2.0), phi], axis=1),
    ).error_mm  # fmt: skip


def closures(axes_number: int, landmarks: int = 28) -> dict:
    """Closures of three stops against a numpy loop, and against copying the same bytes."""
    rng = np.random.default_rng(4)
    true = HingeAxis((0.0, 55.0, 0.0), (0.0, -55.0, 0.0))
    axes = np.stack([true.left_point_mm, true.right_point_mm]) + rng.normal(
        0, 4, (axes_number, 2, 3)
    )
    points = np.array([70.0, 0.0, -35.0]) + rng.uniform(-25, 25, (landmarks, 3))
    stops = [2.0 + 0.1 * s * rng.normal(size=axes_number) for s in range(3)]
    chunk = 32 * 2**20 // (24 * landmarks)

    def ours() -> float:
        total = 0.0
        for phi in stops:
            for start in range(0, axes_number, chunk):
                rows = slice(start, start + chunk)
                total += float(closed(true, axes[rows], points, phi[rows])[0, 0, 0])
        return total

    def copies() -> None:
        source = np.ones((min(axes_number, 32 * 2**20 // (24 * landmarks)), landmarks, 3))
        target = np.empty_like(source)
        for _ in range(3 * math.ceil(axes_number / len(source))):
            target[:] = source

    def loop() -> None:
        from scipy.spatial.transform import Rotation

        turn = Rotation.from_rotvec([0, math.radians(2.0), 0])
        for n in range(few):
            left, right = axes[n]
            d = (left - right) / np.linalg.norm(left - right)
            for phi in stops:
                back = Rotation.from_rotvec(-math.radians(phi[n]) * d)
                centre = 0.5 * (left + right)
                _ = back.apply(turn.apply(points) - centre) + centre - points

    few = min(2000, axes_number)
    ours_s, _ = best_of(ours, times=2)
    copy_s, _ = best_of(copies, times=2)
    loop_s, _ = best_of(loop, times=1)
    row = {
        "axes": axes_number,
        "landmarks": landmarks,
        "stops": 3,
        "seconds": ours_s,
        "ratio_to_numpy_loop": loop_s * axes_number / few / ours_s,
        "time_over_memory_copy": ours_s / copy_s,
    }
    print(
        f"  {axes_number} axes x {landmarks} landmarks x 3 stops: {ours_s:.2f} s,"
        f" {row['ratio_to_numpy_loop']:.0f} times a numpy loop's speed,"
        f" {row['time_over_memory_copy']:.2f} times the time of copying the bytes",
        flush=True,
    )
    return row


def peak_memory(triangles: int) -> dict:
    """Peak memory of a process that loads, prepares and solves casts of a size."""
    casts(triangles)
    setup = (
        "from kinematics.contact.first_contact import first_contact, prepare\n"
        "from tests.benchmarks.run import AXIS, casts"
    )
    work = (
        f"upper, lower = casts({triangles})\n"
        "pair = prepare(*upper, *lower)\n"
        "first_contact(pair, AXIS)"
    )
    gib = peak_mb(setup, work, limit_mb=16000)[1] / 1024
    print(f"  {triangles} triangles a side: peak {gib:.2f} GiB", flush=True)
    return {"triangles": triangles, "peak_gib": gib}


def table(report: dict) -> str:
    """The report as Markdown, for DEVELOPERS.md to link."""
    lines = [
        "# Speed of first contact and closures",
        "",
        f"Machine: {report['machine']}. Written by `make bench` ({report['mode']} run); ratios are",
        "measured side by side in one run, times are processor time of one core. Bisection is",
        "0.25 degree steps, then to 1e-9 rad. The synthetic casts are opened by 2 degrees.",
        "",
        "## One axis",
        "",
        "| casts | triangles a side | prepare both (s) | ours (ms) | peer | peer (ms) | ratio"
        " | off by (rad) |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in report["one_axis"]:
        for peer, x in row["peers"].items():
            lines.append(
                f"| {row['casts']} | {row['triangles'][0]} | {row['prepare_s']:.2f} |"
                f" {row['ours_ms']:.2f} | {peer} | {x['ms']:.1f} | {x['ratio']:.1f} |"
                f" {x['departure_rad']:.1e} |"
            )
    lines += [
        "",
        "## Many axes",
        "",
        "Bisection about the casts' own axis, as above, and on 8 axes of the cloud itself: axes far"
        " off meet high spots early, which is quick for it too.",
        "",
        "| casts | axes | scatter a side (mm) | us an axis, one core | times faster than bisection"
        " | on the cloud's axes | threads: speed-up | differs from one axis by (rad) |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in report["many_axes"]:
        lines.append(
            f"| {row['casts']} | {row['axes']} | {row['scatter_mm']:g} |"
            f" {row['us_per_axis_one_core']:.0f} | {row['ratio_to_bisection']:.0f} |"
            f" {row['ratio_on_its_own_axes']:.0f} |"
            f" {row['threads']}: {row['threads_ratio']:.2f} | {row['largest_difference_rad']:.1e} |"
        )
    lines += ["", "## Peak memory", "", "| triangles a side | GiB |", "|---|---|"]
    lines += [f"| {r['triangles']} | {r['peak_gib']:.2f} |" for r in report["memory"]]
    s = report["sweep"]
    lines += [
        "",
        "## Sweep",
        "",
        f"First-contact rows of the demo case (60k triangles a side), wall time:"
        f" {s['one_core_per_second']:.0f} a second on one core,"
        f" {s['all_cores_per_second']:.0f} on {s['cores']} (ratio {s['ratio_all_to_one']:.2f});"
        f" 100,000 rows take {1e5 / s['all_cores_per_second']:.0f} s.",
    ]
    c = report["closures"]
    lines += [
        "",
        "## Landmark closures",
        "",
        f"{c['axes']} axes x {c['landmarks']} landmarks x {c['stops']} stops: {c['seconds']:.2f} s;"
        f" {c['ratio_to_numpy_loop']:.0f} times faster than a numpy loop;"
        f" {c['time_over_memory_copy']:.2f} times the time of copying the same bytes.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    """Run the benchmarks that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    mode = parser.add_mutually_exclusive_group()
    mode.add_argument("--quick", action="store_true", help="up to 100k triangles (the default)")
    mode.add_argument("--full", action="store_true", help="up to 2 million triangles, 10,000 axes")
    parser.add_argument("-o", "--output", type=Path, default=REPO / "bench_out" / "bench.json")
    options = parser.parse_args()
    full = options.full
    small = casts(10_000)
    warm = prepare(*small[0], *small[1])  # compile everything before the clock starts
    jitter = np.random.default_rng(0).normal(0, 1, (40, 2, 3))
    first_contacts(warm, np.stack([AXIS.left_point_mm, AXIS.right_point_mm]) + jitter)
    closures(1000)

    print("One axis")
    every, quick = list(PEERS), ["python-fcl bisection"]
    rows = [one_axis("10k", *small, AXIS, every)]
    medium = casts(100_000)
    rows.append(one_axis("100k", *medium, AXIS, every if full else quick))
    real = scan_pair("open")
    rows.append(one_axis("open pair", *real, CONDYLAR_AXIS, every if full else quick))
    for triangles in (450_000, 2_000_000) if full else ():
        rows.append(one_axis(f"{triangles // 1000}k", *casts(triangles), AXIS, quick))

    print("Many axes")
    pair = prepare(*medium[0], *medium[1])
    peer_ms = rows[1]["peers"]["python-fcl bisection"]["ms"]
    number = 10_000 if full else 1000
    clouds = [
        many_axes("100k", pair, AXIS, number, s, peer_ms, medium)
        for s in ((1, 2, 4, 8) if full else (1, 4))
    ]
    print("Memory")
    memory = [peak_memory(n) for n in ((100_000, 450_000, 2_000_000) if full else (100_000,))]
    print("Sweep")
    demo = REPO / "sample_meshes" / "demo_case.toml"
    sweep = sweep_speed(demo, samples=2000 if full else 200)
    print(f"  {sweep['all_cores_per_second']:.0f} first-contact rows a second", flush=True)
    print("Closures")
    report = {
        "machine": MACHINE,
        "mode": "full" if full else "quick",
        "one_axis": rows,
        "many_axes": clouds,
        "memory": memory,
        "sweep": sweep,
        "closures": closures(1_000_000 if full else 100_000),
    }
    options.output.parent.mkdir(parents=True, exist_ok=True)
    write_file(options.output, json.dumps(report, indent=1) + "\n")
    figures = table(report)
    write_file(REPO / "tests" / "benchmarks" / "RESULTS.md", figures)
    print(f"written: {options.output} and tests/benchmarks/RESULTS.md")


if __name__ == "__main__":
    main()
