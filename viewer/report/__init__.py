"""The report, and everything else that one assessment writes to a folder.

Takes an ``Assessment``; ``page`` gives the HTML, ``outputs`` writes all files or none.
"""
