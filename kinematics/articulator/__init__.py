"""The arcon articulator alone: guides, settings, one pose, one excursion; no patient.

Takes settings and the axis that the casts were mounted on; gives poses of the lower member. Start
with ``instrument.ArticulatorSettings`` and ``excursion.excursion``. A new guide surface goes into
``guides``, a new setting into ``instrument``.
"""
