"""What is uncertain in a case, propagated: spread, chances, what they come from.

Takes a placed case with its distributions; gives chances by way out and a ranking of causes.
Start with ``propagate`` and ``inputs``.
"""
