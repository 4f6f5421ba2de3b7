"""The browser viewer and the desktop window: one case, changed and answered anew.

Takes a case. Start with ``server``, which serves it on the loopback: ``session`` holds the case
and its numbers, ``desk`` stands between session and page, ``client/`` is the page. A new slider is
a field of ``controls``; what it shows goes into ``texts``.
"""
