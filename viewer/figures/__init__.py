"""2-D figures of an assessment, as SVG or PNG.

Takes an ``Assessment``. Start with ``draw``. A new figure is a function beside its subject
(``arcs``, ``charts``, ``risk``, ``excursions``, ``teeth``), listed there or in ``draw.FIGURES``,
with its caption in ``report.captions``; numbers that the browser draws as well come from
``numbers``.
"""
