"""Measurements to the pose of the casts and of both axes in ``axis_orbital``.

Takes a ``Case``; gives a ``Mounting`` with residuals and covariance. Start with ``mount.mount``. A
new mounting is a table in ``case.mounting_tables``, a function in ``methods`` that returns a
``Pose``, and its line in ``mount``; then a part of the form in ``case.template`` and of the sheet
in ``viewer.command.recording_sheet``.
"""
