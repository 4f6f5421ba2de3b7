"""Patient against articulator in protrusion and lateral movements.

Takes ``Closures``; gives ``ExcursionErrors``: paths, tooth contacts, traces, border figure. Start
with ``compare``. The instrument itself is the room ``articulator``; another look at compared
excursions goes into ``details``.
"""
