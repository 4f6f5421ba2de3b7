"""The report, and everything else that one assessment writes to a folder.

Takes an ``Assessment``; ``page`` gives the HTML, ``outputs`` writes all files or none. Start with
``page``. A new table goes into ``tables`` or beside its subject, a new section into ``sections``
and ``report.html.j2``, a picture's file, title and text into ``texts.toml``.
"""
