"""What is uncertain in a case, propagated: spread, chances, what they come from.

Takes a placed case; gives a ``Risk``: chances by way out, decision chart, ranking of causes. Start
with ``risk`` and ``inputs``. A new uncertain quantity goes into ``inputs``, a published study of
arbitrary points into ``published_scatter.toml``, a new way out into ``ways``.
"""
