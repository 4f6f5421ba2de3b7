"""A small hand-made stand-in for an Assessment: same attribute names, simple geometry."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.axis import HingeAxis, opening_motion
from kinematics.closure import STOPS, high_amount, opening_for_drop, pin_closing, stop_result
from kinematics.errors import Finding
from kinematics.mesh import Cast, load_cast

RIGHT_TO_LEFT = (47, 46, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 36, 37)


def small_cast(arch: str) -> Cast:
    """A horseshoe of bumps: one small pyramid a tooth, apex towards the other arch."""
    up = 1.0 if arch == "lower" else -1.0
    numbers = RIGHT_TO_LEFT if arch == "lower" else tuple(t - 20 for t in RIGHT_TO_LEFT)
    vertices, faces, tooth = [], [], []
    for k, number in enumerate(numbers):
        turn = np.radians(-78 + 12.0 * k)
        centre = np.array([46 + 46 * np.cos(turn), 27 * np.sin(turn), -36 - 6 * up])
        base = [centre + 3 * np.array([np.cos(a), np.sin(a), 0]) for a in np.pi / 3 * np.arange(6)]
        first = len(vertices)
        vertices += [*base, centre + np.array([0, 0, 5.8 * up])]
        for j in range(6):
            face = [first + j, first + (j + 1) % 6, first + 6]
            faces.append(face if up > 0 else face[::-1])
        tooth += [number] * 7
    return Cast(
        arch, np.array(vertices), np.array(faces), np.array(tooth), f"{arch}.ply", "ab" * 32
    )


def real_casts(scans: Path) -> tuple[Cast, Cast]:
    """The real open pair in a frame like axis_orbital (condylar centres on the y axis)."""
    turn = Rotation.from_euler("z", 180, degrees=True)
    centre = np.array([138.28, 0.0, 137.77])
    motion = RigidTransform.from_components(-turn.apply(centre), turn)
    tilt = RigidTransform.from_rotation(Rotation.from_euler("y", -8, degrees=True))
    return tuple(  # type: ignore[return-value]
        load_cast(scans / f"open_pair_{arch}.stl", arch)[0].moved(tilt * motion)
        for arch in ("upper", "lower")
    )


def hand_assessment(
    *,
    casts: tuple[Cast, Cast] | None = None,
    meshes: bool = True,
    label: str = "case-07",
    with_contact: bool = True,
    drop_mm: float = 3.0,
    landmark_count: int | None = None,
    points: dict[str, tuple[int, tuple[float, float, float]]] | None = None,
) -> Any:
    """Build the record: unequal arbitrary axis, a record ``drop_mm`` thick at the incisors."""
    true_axis = HingeAxis([0, 55, 0], [0, -55, 0])
    arbitrary = true_axis.shifted(
        left_anterior_mm=4.0, left_superior_mm=-3.0, right_anterior_mm=5.5, right_superior_mm=-1.0
    )
    upper, lower = casts or (small_cast("upper"), small_cast("lower"))
    if points is None:
        points = {}
        for t in RIGHT_TO_LEFT:
            if lower.labelled:
                part = lower.vertices_mm[lower.tooth == t]
                p = part[np.argmax(part[:, 2])]
            else:
                turn = np.radians(-78 + 12.0 * RIGHT_TO_LEFT.index(t))
                p = np.array([46 + 46 * np.cos(turn), 27 * np.sin(turn), -36.0])
            points[f"{t} highest point"] = (t, tuple(p))
    names = tuple(points)[:landmark_count]
    true_mm = np.array([points[n][1] for n in names], dtype=float).reshape(-1, 3)
    teeth = tuple(points[n][0] for n in names)
    normals = np.tile([0.0, 0.0, 1.0], (len(names), 1))
    incisal_true = np.array([92.0, 0.0, -36.0])
    pin_true = np.array([130.0, 0.0, -38.0])
    theta = opening_for_drop(true_axis, incisal_true, drop_mm)
    open_it = opening_motion(true_axis, theta)
    pin_record = open_it.apply(pin_true)
    phi = {
        "equal_angle": theta,
        "pin": pin_closing(true_axis, arbitrary, theta, pin_record),
        "contact": 0.93 * theta,
    }
    stops: Any = {
        s: stop_result(s, true_axis, arbitrary, theta, phi[s], true_mm, normals)
        for s in STOPS
        if s != "contact" or (meshes and with_contact)
    }
    occlusal = np.flatnonzero(lower.vertices_mm[:, 2] > np.quantile(lower.vertices_mm[:, 2], 0.6))
    n_occ = np.tile([0.0, 0.0, 1.0], (len(occlusal), 1))
    high = {
        s: high_amount(r.error_motion, lower.vertices_mm[occlusal], n_occ) for s, r in stops.items()
    }
    worst = stops["pin"].magnitude_mm
    w = int(np.argmax(worst)) if len(worst) else -1
    departure = np.linspace(-8, 8, 41)
    curve = {
        s: np.abs(departure) / 3.0 * (r.magnitude_mm.max() if len(names) else 0.0)
        for s, r in stops.items()
    }
    worst_error = float(worst[w]) if len(names) else 0.0
    break_even = 3.0 * 0.3 / worst_error if worst_error else np.inf
    contact = lambda role, status="contact": SimpleNamespace(  # noqa: E731
        status=status,
        closing_deg=theta * (1.0 if role == "true" else 0.93),
        point_mm=true_mm[0] if len(names) else np.full(3, np.nan),
        upper_tooth=17,
        lower_tooth=47,
        message=f"first contact about the {role} axis",
    )
    gone = SimpleNamespace(
        status="no_meshes",
        closing_deg=np.nan,
        point_mm=np.full(3, np.nan),
        upper_tooth=0,
        lower_tooth=0,
        message="the case has no casts",
    )
    remedies = tuple(
        SimpleNamespace(
            name=n,
            what=w_,
            worst_error_mm=e,
            worst_landmark=names[w] if len(names) else "",
            record_opening_mm=o,
            within=e <= 0.3,
        )
        for n, w_, e, o in [
            (
                "thinner record",
                "Take the record 1.5 mm thick at the incisors.",
                worst_error / 2,
                1.5,
            ),
            ("record at the target", "Take the record at the planned height.", 0.0, 0.0),
            ("true axis", "Locate the hinge axis and mount on it.", 0.0, drop_mm),
        ]
    )
    verdict = SimpleNamespace(
        stop="pin",
        tolerance_mm=0.3,
        worst_error_mm=worst_error,
        worst_landmark=names[w] if len(names) else "",
        worst_tooth=teeth[w] if len(names) else 0,
        within=worst_error <= 0.3,
        break_even_departure_mm=break_even,
        sentence=f"The arbitrary axis moves the bite by {1000 * worst_error:.0f} µm at worst.",
        reason="Most of it is vertical: the arbitrary axis lies anterior of the true one.",
        remedies=remedies,
    )
    case = SimpleNamespace(label=label)
    return SimpleNamespace(
        case=case,
        mounting=SimpleNamespace(method="matrix"),
        true_axis=true_axis,
        arbitrary_axis=arbitrary,
        upper=upper if meshes else None,
        lower_record=lower.moved(open_it) if meshes else None,
        lower_true=lower if meshes else None,
        landmarks=SimpleNamespace(
            names=names,
            teeth=teeth,
            record_mm=open_it.apply(true_mm).reshape(-1, 3),
            true_mm=true_mm,
            normals=normals,
        ),
        incisal_point_record_mm=open_it.apply(incisal_true),
        pin_tip_record_mm=pin_record,
        record_opening_deg=theta,
        target_opening_deg=0.0,
        true_closing_deg=theta,
        departure_mm=-drop_mm,
        departure_deg=-theta,
        stops=stops,
        unavailable={} if meshes and with_contact else {"contact": "the case has no casts"},
        contact_true=contact("true") if meshes else gone,
        contact_arbitrary=contact("arbitrary") if meshes else gone,
        mouth=SimpleNamespace(contact=contact("mouth"), propped_deg=0.11, propped_incisors_mm=0.17)
        if meshes
        else None,
        occlusal_index=occlusal if meshes else np.zeros(0, int),
        occlusal_high_mm=high if meshes else {},
        verdict=verdict,
        curve=SimpleNamespace(departure_mm=departure, worst_error_mm=curve),
        findings=(Finding("warning", "casts.lower", "3 small holes <b>", "Close them."),),
        uncertainty=None,
    )


__all__ = ["RIGHT_TO_LEFT", "hand_assessment", "real_casts", "small_cast"]
