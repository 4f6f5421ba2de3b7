"""The answer: outcome by its chances, ways out, and what the transfer itself costs.

Takes ``Closures`` and their ``UncertaintySummary``; gives a ``Decision``. Start with
``decide.decide``, which holds the one rule; ``answer`` holds the records, ``words`` every sentence,
``curve`` how the error of the case's own axis grows. A new way out begins in ``uncertainty.ways``.
"""
