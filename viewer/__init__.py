"""Everything a person sees of hingewise: report, pictures, interactive viewer, command line.

The rooms, each importing only from its left, and all of them from ``kinematics``:

    look, figures, scene, report, app, command.
"""

ROOMS = ("look", "figures", "scene", "report", "app", "command")
"""Folders of this package; each imports only from its left (tested)."""
