"""Dental casts as triangle meshes: read, checked, measured, registered.

Takes a mesh file; gives a checked ``Cast``, its occlusal surface, its health and its distances.
Start with ``cast.load_cast``; a file format goes into ``formats`` or beside ``ply``.
"""
