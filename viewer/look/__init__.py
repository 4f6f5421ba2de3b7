"""What every output shares: colours and labels, numbers as text, which libraries are there.

Start with ``palette`` (a new stop's label and line go there) and ``text``.
"""
