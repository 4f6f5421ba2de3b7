"""Coverage-guided fuzzing (atheris) of one reader: ``fuzz.py case|stl|ply|obj|off [options]``.

Options are libFuzzer's, for example ``-max_total_time=300``. Anything but ``InputError`` stops it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["kinematics", "tomllib"]):
    from kinematics.base.errors import InputError
    from kinematics.case.read import read_case
    from kinematics.casts.formats import PARSERS

WHAT = sys.argv.pop(1)
FILE = Path(tempfile.mkdtemp()) / f"a.{WHAT}"


def one(data: bytes) -> None:
    try:
        if WHAT == "case":
            FILE.write_bytes(data)
            read_case(FILE)
        else:
            PARSERS[f".{WHAT}"](data, FILE)
    except InputError:
        pass


def seeds(folder: Path) -> None:
    """Write whole files to start from into the corpus folder."""
    if WHAT == "case":
        from kinematics.case.template import MOUNTINGS, template

        for name in MOUNTINGS:
            (folder / f"seed_{name}").write_text(template(name, []))
        return
    import trimesh

    box = trimesh.creation.box((50, 50, 50))
    kinds = {"stl": ["stl", "stl_ascii"], "ply": ["ply", "ascii"]}.get(WHAT, [WHAT])
    for kind in kinds:
        options = {"encoding": "ascii"} if kind == "ascii" else {}
        whole = box.export(file_type="ply" if kind == "ascii" else kind, **options)
        content = whole.encode() if isinstance(whole, str) else whole
        (folder / f"seed_{kind}").write_bytes(content)


folders = [Path(a) for a in sys.argv[1:] if not a.startswith("-")]
if folders:
    folders[0].mkdir(parents=True, exist_ok=True)
    seeds(folders[0])
atheris.Setup(sys.argv, one)
atheris.Fuzz()
