"""A case placed and closed about both axes: poses, stops, errors, tooth contact.

Takes a ``Case``: ``place.place`` gives a ``PlacedCase``, ``close.close`` its ``Closures``, and
``batch`` closes many samples. A new stop is a name in ``stops`` (and in ``case.tables``), its
closing angle in ``batch``, when it is available in ``close``, and its words in ``decision.words``.
"""
