"""Patient against articulator in protrusion and lateral movements.

Takes ``Closures``; gives ``ExcursionErrors``: paths, tooth contacts, traces, border figure.
Start with ``compare``.
"""
