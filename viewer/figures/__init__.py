"""2-D figures of an assessment.

Takes an ``Assessment``; gives SVG or PNG. A new figure is a function beside its subject
(``arcs``, ``charts``, ``risk``, ``excursions``, ``teeth``), fed by ``numbers``, listed in ``draw``.
"""
