"""The answer: ways out, verdict, what the transfer itself costs, and every sentence of it.

Takes ``Closures`` and, where there is one, their spread; gives a ``Verdict``. Start with
``verdict``.
"""
