"""Hostile mesh files: one InputError, no hang, memory within the stated bound."""

from __future__ import annotations

import io
import os
import pickle
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.errors import InputError
from kinematics.casts.cast import load_cast
from kinematics.casts.formats import MAX_LINE_BYTES
from kinematics.casts.ply import MAX_ROWS, fan, read_ply
from tests.makers.memory import peak_mb

MB = 1024 * 1024
BOUND_MB = 2500
"""Stated in ``load_cast``: peak memory for any file of 200 MB."""

PLY = (
    "ply\nformat {form} 1.0\nelement vertex {v}\nproperty float x\nproperty float y\n"
    "property float z\nelement face {f}\nproperty list {count} int vertex_indices\nend_header\n"
)


def ply(form="ascii", v="3", f="1", count="uchar") -> bytes:
    return PLY.format(form=form, v=v, f=f, count=count).encode()


BODY = b"0 0 0\n50 0 0\n0 50 0\n3 0 1 2\n"
BINARY = "binary_little_endian"
CORNERS = struct.pack("<9f", 0, 0, 0, 50, 0, 0, 0, 50, 0)
HOSTILE = {
    "count_2_31.stl": b"\0" * 80 + struct.pack("<I", 2**31) + b"\0" * 200,
    "count_2_32.stl": b"\0" * 80 + struct.pack("<I", 2**32 - 1) + b"\0" * 200,
    "endless_spaces.stl": b"solid\nfacet normal\nvertex" + b" " * MB + b"endfacet endsolid",
    "corners_without_facets.stl": b"solid\nfacet normal\n"
    + b"vertex 1 1 1\n" * 9 + b"endfacet endsolid",
    "trillion.ply": ply(v="1000000000000", f="1000000000000") + BODY,
    "count_of_many_digits.ply": ply(v="9" * 5000) + BODY,
    "count_with_words.ply": ply(v="1000000000000 and more") + BODY,
    "negative_list.ply": ply(count="char", form=BINARY) + CORNERS + b"\xff" + b"\0" * 12,
    "list_of_4_billion.ply": ply(count="uint", form=BINARY) + CORNERS + b"\xff" * 16,
    "list_nan.ply": ply() + BODY.replace(b"3 0 1 2", b"nan 0 1 2"),
    "half_corner.ply": ply() + BODY.replace(b"3 0 1 2", b"3 0 1 1.5"),
    "endless_corner.ply": ply() + BODY.replace(b"3 0 1 2", b"3 0 1 1e300"),
    "infinite_corner.ply": ply() + BODY.replace(b"3 0 1 2", b"3 0 1 inf"),
    "two_corners.ply": ply() + BODY.replace(b"3 0 1 2", b"2 0 1"),
    "more_rows.ply": ply() + BODY + b"3 0 1 2\n",
    "same_property_twice.ply": ply().replace(b"float y", b"float x") + BODY,
    "unknown_type.ply": ply().replace(b"float y", b"float128 y") + BODY,
    "list_counted_by_float.ply": ply(count="float") + BODY,
    "property_first.ply": b"ply\nformat ascii 1.0\nproperty float x\nend_header\n",
    "unknown_format.ply": ply(form="ascii_gzip") + BODY,
    "header_of_newlines.ply": b"ply\n" + b"\n" * 65_000,
    "many_properties.ply": ply().replace(
        b"element face",
        b"".join(b"property double p%d\n" % i for i in range(2500)) + b"element face",
    ) + BODY,
    "labels_of_text.ply": ply().replace(b"element face", b"property int tooth\nelement face")
    + b"0 0 0 a\n50 0 0 b\n0 50 0 c\n3 0 1 2\n",
    "index_2_63.obj": b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9223372036854775809\n",
    "index_of_many_digits.obj": b"v 0 0 0\nf 1 1 " + b"9" * 5000 + b"\n",
    "index_minus.obj": b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -1 -2 -9999999999\n",
    "one_line.obj": b"v 0 0 0\nf" + b" 1" * MAX_LINE_BYTES,
    "counts_2_63.off": b"OFF\n9223372036854775809 1 0\n0 0 0\n",
    "trillion.off": b"OFF\n1000000000000 1000000000000 0\n0 0 0\n",
    "negative.off": b"OFF\n-1 -1 0\n0 0 0\n",
    "count_of_many_digits.off": b"OFF\n" + b"9" * 5000 + b" 1 0\n",
    "corners_2_63.off": b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 9223372036854775809\n",
    "face_of_billions.off": b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n4000000000 0 1 2\n",
    "index_outside.off": b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 3\n",
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_content_is_one_short_error(name, tmp_path):
    file = tmp_path / name
    file.write_bytes(HOSTILE[name])
    with pytest.raises(InputError) as caught:
        load_cast(file, "lower")
    assert str(caught.value).startswith(str(file))
    assert len(str(caught.value)) < 1000


class Bomb:
    def __reduce__(self):
        return (Path("executed").write_text, ("x",))


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("a.stl", b"\0" * 10_000_000)
    return out.getvalue()


@pytest.mark.parametrize(
    "kind",
    ["zip", "3mf", "glb", "gltf", "pkl", "pickle", "npy", "npz", "gz", "bz2", "xz", "7z", "tar",
     "xaml", "dae", "step", "3dxml", "py", "html", "stl.gz", "ply.zip", "", "vtk", "stlb"],
)  # fmt: skip
@pytest.mark.parametrize("content", ["zip", "pickle", "mesh"])
def test_formats_that_run_code_or_unpack_are_refused_unopened(kind, content, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = tmp_path / (f"a.{kind}" if kind else "a")
    whole = trimesh.creation.box((50, 50, 50)).export(file_type="stl")
    file.write_bytes({"zip": _zip(), "pickle": pickle.dumps(Bomb()), "mesh": whole}[content])
    with pytest.raises(InputError, match="file type"):
        load_cast(file, "upper")
    assert not (tmp_path / "executed").exists()


@pytest.mark.parametrize("kind", ["stl", "ply", "obj", "off"])
@pytest.mark.parametrize("content", ["zip", "pickle"])
def test_archives_and_pickles_under_a_mesh_s_name_are_refused(kind, content, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = tmp_path / f"a.{kind}"
    file.write_bytes(_zip() if content == "zip" else pickle.dumps(Bomb()))
    with pytest.raises(InputError, match="mesh"):
        load_cast(file, "upper")
    assert not (tmp_path / "executed").exists()


@pytest.mark.parametrize("target", ["/dev/zero", "/proc/self/environ", "pipe"])
def test_devices_pipes_and_system_files_are_refused_without_waiting(target, tmp_path):
    file = tmp_path / "a.stl"
    if target == "pipe":
        os.mkfifo(file)
    else:
        file.symlink_to(target)
    with pytest.raises(InputError, match=r"pipe or device|leads out"):
        load_cast(file, "upper")


FACET = b"facet normal vertex 1 1 1\nvertex 1 1 2\nvertex 1 2 1\nendfacet\n"
GROW = {
    "stl_ascii": (".stl", b"solid\n", FACET, b"endsolid"),
    "obj_vertices": (".obj", b"", b"v 0 0 0\n", b""),
    "obj_faces": (".obj", b"v 0 0 0\n", b"f 1 1 1\n", b""),
    "obj_polygons": (".obj", b"v 0 0 0\n", b"f" + b" 1" * 40_000 + b"\n", b""),
    "off_vertices": (".off", b"OFF\n9000000 1 0\n", b"0 0 0\n", b""),
    "ply_numbers": (".ply", ply(v="10", f="10"), b"0 ", b""),
    "ply_promises": (".ply", ply(v="10000000", f="10000000", form=BINARY), b"\0", b""),
    "newlines": (".obj", b"", b"\n", b""),
}  # fmt: skip


def peak_of(file: Path) -> float:
    """Peak memory in MiB of a process that reads a mesh or refuses it, above the imports'."""
    imports = (
        "from kinematics.casts.cast import load_cast\nfrom kinematics.base.errors import InputError"
    )
    work = "try:\n    load_cast(sys.argv[1], 'lower')\nexcept InputError:\n    pass"
    before, after = peak_mb(imports, work, str(file))
    return after - before


def _grown(folder: Path, name: str, size: int) -> Path:
    suffix, head, unit, tail = GROW[name]
    file = folder / f"a{suffix}"
    file.write_bytes(head + unit * ((size - len(head) - len(tail)) // len(unit)) + tail)
    return file


@pytest.mark.parametrize("name", GROW)
def test_memory_for_8_mb_is_under_40_times_the_file(name, tmp_path):
    assert peak_of(_grown(tmp_path, name, 8 * MB)) < 40 * 8


@pytest.mark.long
@pytest.mark.parametrize("name", GROW)
def test_memory_for_200_mb_is_within_the_bound(name, tmp_path):
    assert peak_of(_grown(tmp_path, name, 200 * MB)) < BOUND_MB


@pytest.mark.long
def test_memory_for_a_binary_stl_of_200_mb_of_unlike_corners_is_within_the_bound(tmp_path):
    n = (200 * MB - 84) // 50
    rows = np.zeros(n, np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]))
    rows["c"] = np.random.default_rng(1).random((n, 3, 3))
    file = tmp_path / "a.stl"
    file.write_bytes(b"\0" * 80 + n.to_bytes(4, "little") + rows.tobytes())
    assert peak_of(file) < BOUND_MB


POLYGONS = st.lists(st.lists(st.integers(0, 5), min_size=3, max_size=7), min_size=1, max_size=8)


def _ply_of(polygons: list[list[int]], form: str, extra: bool) -> bytes:
    order = ">" if "big" in form else "<"
    head = ply(form=form, v="6", f=str(len(polygons)), count="ushort")
    if extra:
        head = head.replace(
            b"end_header", b"property uchar red\nproperty list uchar float uv\nend_header"
        )
    points = np.arange(18).reshape(6, 3)
    if form == "ascii":
        rows = [" ".join(map(str, p)) for p in points]
        rows += [
            " ".join(map(str, [len(p), *p, *([7, len(p), *p] if extra else [])])) for p in polygons
        ]
        return head + "\n".join(rows).encode() + b"\n"
    body = points.astype(order + "f4").tobytes()
    for p in polygons:
        body += struct.pack(f"{order}H{len(p)}i", len(p), *p)
        if extra:
            body += struct.pack(f"{order}BB{len(p)}f", 7, len(p), *p)
    return head + body


@given(POLYGONS, st.sampled_from(["ascii", BINARY, "binary_big_endian"]), st.booleans())
def test_polygons_of_any_mixture_come_as_the_same_fans_from_every_encoding(polygons, form, extra):
    points, faces, labels = read_ply(_ply_of(polygons, form, extra))
    wanted = [[p[0], p[k], p[k + 1]] for p in polygons for k in range(1, len(p) - 1)]
    assert faces.tolist() == wanted
    assert points.tolist() == np.arange(18.0).reshape(6, 3).tolist()
    assert labels is None


@given(POLYGONS)
def test_off_and_obj_give_the_same_fans_as_ply(tmp_path_factory, polygons):
    folder = tmp_path_factory.getbasetemp()
    points = np.arange(18).reshape(6, 3)
    off = ["COFF", f"6 {len(polygons)} 0 # counts"]
    off += [" ".join(map(str, [*p, 255, 0, 0, 1])) for p in points]
    off += [" ".join(map(str, [len(p), *p, 9, 9, 9])) for p in polygons]
    (folder / "f.off").write_text("\n".join(off))
    obj = [f"v {p[0]} {p[1]} {p[2]}" for p in points]
    obj += ["f " + " ".join(str(i + 1) for i in p) for p in polygons]
    (folder / "f.obj").write_text("\n".join(obj))
    (folder / "f.ply").write_bytes(_ply_of(polygons, BINARY, False))
    off_cast, obj_cast, ply_cast = (
        load_cast(folder / f"f.{kind}", "lower")[0] for kind in ("off", "obj", "ply")
    )
    assert np.array_equal(off_cast.faces, ply_cast.faces)
    assert np.array_equal(obj_cast.faces, ply_cast.faces)
    assert np.array_equal(off_cast.vertices_mm, ply_cast.vertices_mm)


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
def test_ply_agrees_with_a_general_library(encoding, tmp_path):
    ball = trimesh.creation.icosphere(3, 30.0)
    ball.export(tmp_path / "a.ply", encoding=encoding)
    cast, _ = load_cast(tmp_path / "a.ply", "lower")
    oracle = trimesh.load(tmp_path / "a.ply", process=False)
    assert np.array_equal(cast.faces, oracle.faces)
    # The library rounds ASCII numbers of type "float" to 32 bits; here they keep their digits.
    atol = 2e-6 if encoding == "ascii" else 0.0
    assert np.allclose(cast.vertices_mm, oracle.vertices, rtol=0.0, atol=atol)


def test_off_agrees_with_a_general_library(tmp_path):
    trimesh.creation.icosphere(3, 30.0).export(tmp_path / "a.off")
    cast, _ = load_cast(tmp_path / "a.off", "lower")
    oracle = trimesh.load(tmp_path / "a.off", process=False)
    assert np.array_equal(cast.faces, oracle.faces)
    assert np.array_equal(cast.vertices_mm, oracle.vertices)


def test_more_triangles_than_the_bound_are_refused():
    with pytest.raises(ValueError, match="at most"):
        fan(np.zeros(MAX_ROWS + 3, np.int32), np.array([MAX_ROWS + 3]))


SEEDS = {
    kind: (lambda b: b.encode() if isinstance(b, str) else b)(
        trimesh.creation.box((50, 50, 50)).export(file_type=kind)
    )
    for kind in ("stl", "ply", "obj", "off")
}
SEEDS["stl_ascii"] = trimesh.creation.box((50, 50, 50)).export(file_type="stl_ascii").encode()
SEEDS["ply_ascii"] = trimesh.creation.box((50, 50, 50)).export(file_type="ply", encoding="ascii")
TOKENS = [
    b"nan",
    b"-1",
    b"1e999",
    b"\0",
    b"\n",
    b"99999999999999999999",
    b"vertex",
    b"3 ",
    b"\xff" * 4,
]


@settings(max_examples=300)
@given(st.sampled_from(sorted(SEEDS)), st.data())
def test_a_mesh_changed_in_several_places_is_read_whole_or_refused(tmp_path_factory, kind, data):
    content = bytearray(SEEDS[kind])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content)))
        new = data.draw(st.sampled_from(TOKENS) | st.binary(max_size=4))
        content[at : at + data.draw(st.integers(0, 12))] = new
    file = tmp_path_factory.getbasetemp() / f"fuzz.{kind.split('_')[0]}"
    file.write_bytes(content)
    try:
        cast, _ = load_cast(file, "lower")
    except InputError as error:
        assert "fuzz." in str(error)  # noqa: PT017
    else:
        assert cast.faces.size == 0 or cast.faces.min() >= 0
        assert cast.faces.size == 0 or cast.faces.max() < len(cast.vertices_mm)


@given(
    st.lists(st.tuples(*[st.floats(-1e6, 1e6)] * 3), min_size=3, max_size=12),
    st.lists(st.tuples(*[st.integers(0, 2)] * 3), max_size=6),
    st.lists(st.sampled_from([0, 11, 36, 48, 85]), min_size=12, max_size=12),
)
def test_any_cast_written_as_ply_is_read_back_exactly(tmp_path_factory, points, faces, teeth):
    from kinematics.casts.cast import Cast

    file = tmp_path_factory.getbasetemp() / "round.ply"
    cast = Cast("lower", points, np.array(faces).reshape(-1, 3), teeth[: len(points)])
    cast.write(file)
    again, _ = load_cast(file, "lower")
    assert np.array_equal(again.vertices_mm, cast.vertices_mm)
    assert np.array_equal(again.faces, cast.faces)
    assert np.array_equal(again.tooth, cast.tooth)
