"""The browser viewer and the desktop window: one case, changed and answered anew.

Takes a case file; ``server`` serves it on the loopback, ``session`` holds its state, ``desk``
stands between the two; ``client/`` is the page.
"""
