"""Casts that are made, not scanned: an upper and a lower that occlude, labelled tooth by tooth.

Takes arch and tooth dimensions; gives two ``Cast`` records. Start with ``dentition``.
"""
