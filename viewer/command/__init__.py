"""The command line: one subcommand a job, one clear line an error, exit codes 0, 1 and 2.

Takes arguments; writes to the terminal or a folder. Start with ``cli``, where a new subcommand
goes. ``start`` asks what was measured, ``recording_sheet`` prints the sheet for the chair side.
"""
