"""Exact first contact of two meshes that turn about a line: no stepping, no tunnelling.

Takes two meshes, an axis and a range; gives the contact's angle, faces and point, with a status.
Start with ``first_contact``. ``cloud`` does it for many axes, ``samples`` for many axes and
starts; ``roots`` holds the exact angles, ``descent`` the search.
"""
