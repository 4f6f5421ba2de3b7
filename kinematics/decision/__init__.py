"""The answer: ways out, verdict, and what the transfer itself costs.

Takes ``Closures`` and, where there is one, their spread; gives a ``Verdict``. Start with
``decide.decide``, which weighs the ways out ``by_error`` or ``by_chance``; ``verdict`` holds the
record, ``words`` every sentence. A new way out begins in ``uncertainty.ways``.
"""
