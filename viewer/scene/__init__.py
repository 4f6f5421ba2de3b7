"""3-D: one list of items, rendered, filmed, picked, sent to the browser's page.

Takes ``Closures`` or an ``Assessment``; ``build.build_scene`` gives the items that every picture
is made of. Start there. A new thing to see is an item of ``build``; ``render`` alone draws with
pyvista.
"""
