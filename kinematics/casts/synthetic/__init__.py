"""Casts that are made, not scanned: upper and lower, in occlusion, labelled tooth by tooth.

Takes the dimensions of arch and teeth; gives two ``Cast`` records. Start with ``dentition``.
"""
