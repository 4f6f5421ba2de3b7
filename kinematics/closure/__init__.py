"""A case placed and closed about both axes: poses, stops, errors, tooth contact.

Takes a ``Case``: ``place.place`` gives a ``PlacedCase``, ``close.close`` its ``Closures``, and
``batch`` closes many samples. A new stop is a name in ``stops``, its closing angle in ``geometry``
and ``batch``, and a word in ``case.tables`` and in ``decision.verdict``.
"""
