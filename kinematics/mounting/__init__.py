"""Measurements to the pose of the casts and of both axes in ``axis_orbital``.

Takes a ``Case``; gives a ``Mounting`` with residuals and covariance. Start with ``mount.mount``. A
new mounting is a table in ``case.mounting_tables``, a function in ``methods`` that returns a
``Pose``, and its line in ``mount``; then its part of the form (``case.template``) and of the sheet
(``command.recording_sheet``).
"""
