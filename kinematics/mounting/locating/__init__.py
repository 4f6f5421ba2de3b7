"""The true hinge axis from scans, poses or tracked points of the lower.

Takes openings of the lower; gives a ``LocatedAxis`` with covariance and remarks. Start with
``locate``.
"""
