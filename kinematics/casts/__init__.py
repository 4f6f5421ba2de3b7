"""Dental casts as triangle meshes: read, checked, measured, registered.

Takes a mesh file; gives a ``Cast``, its occlusal surface, its health and distances from it. Start
with ``cast.load_cast``. A new file format goes into ``formats`` or beside ``ply``, a new check of
a mesh into ``health``.
"""
