"""A case placed and closed about both axes: poses, stops, first contacts, errors.

Takes a ``Case``; ``place.place`` gives a ``PlacedCase``, ``close.close`` its ``Closures``;
``batch`` closes many samples. A new stop goes into ``stops`` and ``batch``.
"""
