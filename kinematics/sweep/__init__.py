"""A study: many samples of a case, computed row by row, resumable.

Takes a study file; gives Parquet parts in a folder. Start with ``run.run_sweep``.
"""
