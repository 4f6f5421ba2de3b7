"""The case file: its tables, reading and refusing, remarks, the form to fill in.

Takes TOML; gives a checked, frozen ``Case``. Start with ``read.read_case`` and ``model.Case``. A
new field goes into its table in ``tables`` (``mounting_tables`` for ``[mounting]``) with its words
and range; schema and ``example_case.toml`` come from there, the form is ``form.toml.j2``.
"""
