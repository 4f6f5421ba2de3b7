"""The true hinge axis from scans, poses or tracked points of the lower cast.

Takes the lower cast at several openings; gives a ``LocatedAxis`` with covariance and remarks.
Start with ``locate``. A new kind of recording is a module beside ``from_poses`` and
``from_tracks``.
"""
