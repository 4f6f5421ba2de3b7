"""Everything a person sees of hingewise. Takes what ``kinematics`` found.

The rooms. Each imports only from those above it, and all of them from ``kinematics``:

    look     colours, numbers as text, which optional libraries are there
    figures  2-D figures of an assessment
    scene    the one 3-D scene: built, rendered, filmed, picked, sent to the browser
    report   the report, and everything else that is written to a folder
    app      the browser viewer and the desktop window
    command  the command line, the form to fill in and the recording sheet
"""

ROOMS = ("look", "figures", "scene", "report", "app", "command")
"""Folders of this package; each imports only from its left (tested)."""
