"""Exact first contact of two meshes that turn about a line: no stepping, no tunnelling.

Takes two meshes, an axis (or a cloud of axes) and a range; gives the contact's angle, faces and
point with a status. Start with ``first_contact``; ``cloud`` and ``samples`` do many at once.
"""
