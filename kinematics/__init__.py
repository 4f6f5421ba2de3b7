"""Hinge-axis kinematics: what an arbitrary axis does to the occlusion, and how sure we are.

Public lengths are millimetres and public angles degrees. Nothing here imports ``viewer``,
pyvista or matplotlib (a test guards it).
"""

__version__ = "0.1.0"
