"""The answer: ways out, verdict, and what the transfer itself costs.

Takes ``Closures`` and, where there is one, their spread; gives a ``Verdict``, filled ``by_error``
or ``by_chance``. Start with ``verdict``, which holds the record and its words.
"""
