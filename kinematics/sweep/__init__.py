"""A study: many samples of a case, computed row by row, resumable.

Takes a study file; gives Parquet parts in a folder. Start with ``study.read_study`` and
``run.run_sweep``. Any number of a case can vary by its dotted name, so a new parameter needs
nothing here; a new design goes into ``design``, a new column into ``rows``.
"""
