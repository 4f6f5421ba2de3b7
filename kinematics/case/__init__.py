"""The case file: its tables, reading and refusing, remarks, forms to fill in.

Takes TOML; gives a checked, frozen ``Case``. Start with ``read.read_case`` and ``model.Case``.
A new field goes into ``tables`` (or ``mounting_tables``) with its description, unit and range.
"""
