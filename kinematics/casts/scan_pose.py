"""Pose of the lower in the upper's frame from a scan of it: read, registered, judged."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kinematics.base.errors import Finding, InputError
from kinematics.casts.cast import Cast, load_cast
from kinematics.casts.health import check_cast
from kinematics.casts.health import findings as health_findings
from kinematics.casts.registration import RegistrationResult, register


def scan_pose(
    name: str,
    field: str,
    lower: Cast | None,
    resolve: Callable[[str, str], Path],
    *,
    unit: str = "mm",
    label: str = "",
) -> tuple[RegistrationResult, list[Finding]]:
    """Register the lower cast to a scan of it in another position (seconds).

    Parameters
    ----------
    name, field : str
        The file, in ``upper_scan``, and the field of the case that names it.
    lower : Cast or None
        In ``lower_scan``.
    resolve : callable
        ``case.path``: file name and field to a path, refusing what leaves the case's folder.
    unit : str
        Of the file.
    label : str
        Name of the scan in remarks; the file's name where it is empty.

    Returns
    -------
    RegistrationResult
        ``fixed_from_moving`` is ``upper_scan_from_lower_scan``.
    list of Finding

    Raises
    ------
    InputError
        No lower cast; a file that cannot be read, or whose mesh cannot be used; a scan that does
        not fit.
    """
    if lower is None:
        raise InputError(
            field,
            "a scan without [casts]",
            "the lower cast to register it to",
            "Add [casts] with upper and lower, or give upper_scan_from_lower_scan.",
        )
    path = resolve(name, field)
    try:
        scan, remarks = load_cast(path, "lower", unit)
        for finding in (*health_findings(check_cast(scan)), *remarks):
            if finding.level == "error":
                raise InputError("file", finding.message, "the scan of an arch", finding.fix)
        result = register(lower, scan)
    except InputError as error:
        got = error.got if error.where in ("file", path.name) else f"{error.where}: {error.got}"
        raise InputError(field, got, error.allowed, error.fix, error.file or path) from None
    if result.status == "poor":
        raise InputError(
            field,
            f"a scan that does not fit the lower: {result.rms_mm:.2f} mm left over, "
            f"{100 * result.overlap:.0f} % overlap",
            "a scan of the same lower arch",
            "Check the file and its unit; crop it to the teeth; or give its pose.",
            path,
        )
    return result, [*remarks, *result.findings(label or name)]
