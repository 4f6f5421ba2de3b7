"""Reading and writing casts: each format, each way a file can be wrong."""

from __future__ import annotations

import os
import struct
import sys

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.errors import InputError
from kinematics.casts.cast import MM_PER_UNIT, Cast, likely_unit, load_cast
from kinematics.casts.formats import merge_exactly
from tests import SCANS


def box(extents=(60.0, 50.0, 20.0)) -> trimesh.Trimesh:
    return trimesh.creation.box(extents=extents).subdivide()


def triangle_set(vertices, faces):
    """Triangles as a set of corner triples, rotated so that the least corner comes first."""
    out = set()
    for corners in vertices[faces].round(5).tolist():
        k = corners.index(min(corners))
        out.add(tuple(map(tuple, corners[k:] + corners[:k])))
    return out


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "ply", "off", "obj"])
def test_every_format_gives_the_same_surface(tmp_path, kind):
    mesh = box()
    file = tmp_path / f"cast.{kind.split('_')[0]}"
    mesh.export(file, file_type=kind)
    cast, findings = load_cast(file, "upper")
    assert findings == []
    assert cast.source == file.name
    assert triangle_set(cast.vertices_mm, cast.faces) == triangle_set(mesh.vertices, mesh.faces)
    assert len(cast.vertices_mm) == len(mesh.vertices)
    assert not cast.labelled


def test_digest_is_that_of_the_file(tmp_path):
    import hashlib

    file = tmp_path / "a.stl"
    box().export(file)
    assert load_cast(file, "upper")[0].sha256 == hashlib.sha256(file.read_bytes()).hexdigest()


def test_vertex_order_of_an_stl_does_not_depend_on_the_order_of_triangles(tmp_path):
    mesh = box()
    a, b = tmp_path / "a.stl", tmp_path / "b.stl"
    mesh.export(a)
    trimesh.Trimesh(mesh.vertices, mesh.faces[::-1], process=False).export(b)
    assert np.array_equal(
        load_cast(a, "upper")[0].vertices_mm, load_cast(b, "upper")[0].vertices_mm
    )


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(*[st.sampled_from([-1.0, -0.0, 0.0, 0.5, 2.0])] * 3), max_size=40))
def test_exact_merge_is_a_round_trip_without_repeats(rows):
    points = np.array(rows, dtype=float).reshape(-1, 3)
    merged, inverse = merge_exactly(points)
    assert np.array_equal(merged[inverse], points)
    assert len(merged) == len({tuple(r) for r in (points + 0.0).tolist()})


def test_ply_round_trip_is_exact_with_labels_and_fields(tmp_path):
    mesh = box()
    rng = np.random.default_rng(5)
    vertices = mesh.vertices + rng.normal(0, 1e-7, mesh.vertices.shape)
    tooth = np.where(np.arange(len(vertices)) % 2, 36, 0)
    cast = Cast("lower", vertices, mesh.faces, tooth)
    cast.write(tmp_path / "c.ply", {"high_um": np.arange(len(vertices)) / 3})
    again, _ = load_cast(tmp_path / "c.ply", "lower")
    assert np.array_equal(again.vertices_mm, cast.vertices_mm)
    assert np.array_equal(again.faces, cast.faces)
    assert np.array_equal(again.tooth, cast.tooth)
    oracle = trimesh.load(tmp_path / "c.ply", process=False)
    data = oracle.metadata["_ply_raw"]["vertex"]["data"]
    assert np.allclose(data["high_um"].ravel(), np.arange(len(vertices)) / 3, atol=1e-5)
    assert [p.name for p in tmp_path.iterdir()] == ["c.ply"], "a temporary file was left"


def test_ply_written_single_keeps_labels_and_rounds_coordinates(tmp_path):
    mesh = box()
    cast = Cast("lower", mesh.vertices / 3 * 3.01, mesh.faces, np.full(len(mesh.vertices), 41))
    cast.write(tmp_path / "c.ply", single=True)
    again, _ = load_cast(tmp_path / "c.ply", "lower")
    assert np.array_equal(again.tooth, cast.tooth)
    assert np.abs(again.vertices_mm - cast.vertices_mm).max() < 4e-6


def test_writing_into_a_missing_folder_is_an_input_error(tmp_path):
    cast = Cast("lower", np.eye(3), [[0, 1, 2]], [0, 0, 0])
    with pytest.raises(InputError, match="folder that cannot be written"):
        cast.write(tmp_path / "nowhere" / "c.ply")


def test_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    cast = Cast("lower", np.eye(3), [[0, 1, 2]], [0, 0, 0])
    file = tmp_path / "c.ply"
    file.write_text("old")

    def refuse(*_):
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(InputError, match="disk full"):
        cast.write(file)
    assert file.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["c.ply"]


@pytest.mark.parametrize("unit", list(MM_PER_UNIT))
def test_each_unit_is_scaled_to_mm_without_remark(tmp_path, unit):
    file = tmp_path / "a.ply"
    scaled = box()
    scaled.apply_scale(1 / MM_PER_UNIT[unit])
    scaled.export(file)
    cast, findings = load_cast(file, "upper", unit)
    assert findings == []
    assert np.ptp(cast.vertices_mm, axis=0) == pytest.approx([60, 50, 20], rel=1e-5)


@pytest.mark.parametrize("unit", ["cm", "m", "inch"])
def test_wrong_unit_is_an_error_that_names_the_right_one_and_auto_corrects_it(tmp_path, unit):
    file = tmp_path / "a.ply"
    scaled = box()
    scaled.apply_scale(1 / MM_PER_UNIT[unit])
    scaled.export(file)
    _, (error,) = load_cast(file, "upper", "mm")
    assert error.level == "error"
    assert error.fix == f'The file looks like {unit}: set unit = "{unit}" if that is right.'
    cast, (note,) = load_cast(file, "upper", "auto")
    assert note.level == "note"
    assert f"read as {unit}" in note.message
    assert np.ptp(cast.vertices_mm, axis=0)[0] == pytest.approx(60, rel=1e-5)


def test_no_unit_makes_an_arch_of_a_mesh_of_any_other_size(tmp_path):
    assert likely_unit(20.0) is None
    box((20, 10, 10)).export(tmp_path / "a.ply")
    with pytest.raises(InputError, match='"auto"'):
        load_cast(tmp_path / "a.ply", "upper", "auto")
    _, (warning,) = load_cast(tmp_path / "a.ply", "upper")
    assert "whole arch" in warning.fix


@pytest.mark.parametrize(
    ("span", "level"),
    [
        (14.9, "error"),
        (15.1, "warning"),  # two molars
        (39.0, "warning"),
        (111.0, "warning"),
        (249.0, "warning"),
        (251.0, "error"),  # larger than a head
    ],
)
def test_a_size_that_no_cast_has_is_an_error_and_an_odd_one_a_warning(span, level, tmp_path):
    box((span, span / 2, span / 4)).export(tmp_path / "a.ply")
    _, (finding,) = load_cast(tmp_path / "a.ply", "upper")
    assert finding.level == level


@pytest.mark.parametrize("span_mm", [30.0, 68.0, 120.0])
@pytest.mark.parametrize("stored", list(MM_PER_UNIT))
@pytest.mark.parametrize("read", list(MM_PER_UNIT))
def test_a_unit_ten_times_off_is_an_error_for_every_real_size(span_mm, stored, read, tmp_path):
    size = span_mm / MM_PER_UNIT[stored]
    box((size, size / 2, size / 4)).export(tmp_path / "a.ply")
    _, found = load_cast(tmp_path / "a.ply", "upper", read)
    off = MM_PER_UNIT[read] / MM_PER_UNIT[stored]
    wrong = any(f.level == "error" for f in found)
    if off == 1.0:
        assert not wrong
    if not 1 / 9.9 < off < 9.9:
        assert wrong


def binary_stl(count: int, real: int) -> bytes:
    return b"\0" * 80 + struct.pack("<I", count) + b"\0" * (50 * real)


GOOD_PLY = (
    b"ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
    b"property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
    b"0 0 0\n50 0 0\n0 50 0\n3 0 1 2\n"
)
BROKEN = {
    "empty.stl": b"",
    "lying_up.stl": binary_stl(1000, 4),
    "lying_down.stl": binary_stl(3, 4),
    "huge_count.stl": binary_stl(2**32 - 1, 4),
    "garbage.stl": b"hello, this is no mesh at all " * 10,
    "short.stl": b"\0\0\0",
    "cut.stl": b"solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\n",
    "words.stl": b"solid a\nfacet normal 0 0 1\nouter loop\nvertex a b c\nvertex 1 0 0\n"
    b"vertex 0 1 0\nendloop\nendfacet\nendsolid",
    "garbage.ply": b"ply but not really",
    "no_header.ply": b"solid",
    "huge.ply": GOOD_PLY.replace(b"vertex 3", b"vertex 99999999999"),
    "negative.ply": GOOD_PLY.replace(b"vertex 3", b"vertex -3"),
    "truncated.ply": GOOD_PLY[:-20],
    "outside.ply": GOOD_PLY.replace(b"3 0 1 2", b"3 0 1 7"),
    "words.ply": GOOD_PLY.replace(b"50 0 0", b"a b c"),
    "faceless.ply": GOOD_PLY.replace(b"element face 1\n", b""),
    "garbage.off": b"no such thing",
    "truncated.off": b"OFF\n3 2 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n",
    "outside.off": b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 9\n",
    "garbage.obj": b"v 1 2\nf 1 2 3\n",
    "outside.obj": b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n",
    "zero_index.obj": b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 0 1 2\n",
    "nothing.obj": b"# only a remark\n",
    "binary.obj": bytes(range(256)),
}


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_broken_content_is_one_clear_error_that_names_the_file(tmp_path, name):
    file = tmp_path / name
    file.write_bytes(BROKEN[name])
    with pytest.raises(InputError) as caught:
        load_cast(file, "lower")
    text = str(caught.value)
    assert name in text
    assert "need" in text
    assert caught.value.fix


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(["stl", "ply", "off", "obj"]), st.data())
def test_bytes_cut_or_changed_anywhere_never_escape_as_another_error(tmp_path_factory, kind, data):
    whole = box().export(file_type=kind)
    whole = whole.encode() if isinstance(whole, str) else whole
    cut = data.draw(st.integers(0, len(whole)))
    noise = data.draw(st.binary(max_size=8))
    file = tmp_path_factory.mktemp("fuzz") / f"a.{kind}"
    file.write_bytes(whole[:cut] + noise + whole[cut + len(noise) * data.draw(st.integers(0, 1)) :])
    try:
        cast, _ = load_cast(file, "lower")
    except InputError as error:
        assert "a." in str(error)  # noqa: PT017
    else:
        assert cast.faces.size == 0 or cast.faces.max() < len(cast.vertices_mm)


def test_obj_polygons_negative_indices_and_materials_are_read_without_opening_others(tmp_path):
    (tmp_path / "a.obj").write_bytes(
        b"mtllib /etc/passwd\nusemtl x\nv 0 0 0\nv 50 0 0\nv 50 50 0\nv 0 50 0\n"
        b"f 1/1/1 2//2 3 4\nf -4 -3 -2\n"
    )
    cast, _ = load_cast(tmp_path / "a.obj", "lower")
    assert cast.faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 2]]


def test_ply_quads_become_triangles(tmp_path):
    quad = GOOD_PLY.replace(b"vertex 3", b"vertex 4").replace(
        b"0 50 0\n3 0 1 2", b"50 50 0\n0 50 0\n4 0 1 2 3"
    )
    (tmp_path / "a.ply").write_bytes(quad)
    cast, _ = load_cast(tmp_path / "a.ply", "lower")
    assert len(cast.faces) == 2


@pytest.mark.parametrize("label", [9, 10, 99, -1, 19])
def test_labels_that_are_no_tooth_are_refused(tmp_path, label):
    text = GOOD_PLY.replace(b"property float z\n", b"property float z\nproperty int tooth\n")
    text = text.replace(b"0 0 0\n50 0 0\n0 50 0", b"0 0 0 0\n50 0 0 %d\n0 50 0 11" % label)
    (tmp_path / "a.ply").write_bytes(text)
    with pytest.raises(InputError, match="ISO 3950"):
        load_cast(tmp_path / "a.ply", "lower")


def test_a_label_that_is_no_whole_number_is_the_one_named(tmp_path):
    text = GOOD_PLY.replace(b"property float z\n", b"property float z\nproperty float tooth\n")
    text = text.replace(b"0 0 0\n50 0 0\n0 50 0", b"0 0 0 11\n50 0 0 12.5\n0 50 0 11")
    (tmp_path / "a.ply").write_bytes(text)
    with pytest.raises(InputError, match=r"label 12\.5"):
        load_cast(tmp_path / "a.ply", "lower")


def test_unknown_extension_arch_and_unit_are_refused(tmp_path):
    (tmp_path / "a.blend").write_bytes(b"x")
    with pytest.raises(InputError, match=r"\.stl, \.ply, \.obj, \.off"):
        load_cast(tmp_path / "a.blend", "upper")
    box().export(tmp_path / "a.stl")
    with pytest.raises(InputError, match="arch"):
        load_cast(tmp_path / "a.stl", "middle")
    with pytest.raises(InputError, match="inch, auto"):
        load_cast(tmp_path / "a.stl", "upper", "feet")


def test_missing_file_folder_and_pipe_are_refused(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_cast(tmp_path / "none.stl", "upper")
    (tmp_path / "folder.stl").mkdir()
    with pytest.raises(InputError, match=r"folder, pipe or device|unreadable"):
        load_cast(tmp_path / "folder.stl", "upper")
    if sys.platform != "win32":
        os.mkfifo(tmp_path / "pipe.stl")
        with pytest.raises(InputError, match="folder, pipe or device"):
            load_cast(tmp_path / "pipe.stl", "upper")


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on this system")
def test_link_out_of_its_folder_is_refused_and_one_inside_is_read(tmp_path):
    inside, outside = tmp_path / "case", tmp_path / "elsewhere"
    inside.mkdir()
    outside.mkdir()
    box().export(outside / "a.stl")
    box().export(inside / "b.stl")
    (inside / "a.stl").symlink_to(outside / "a.stl")
    (inside / "c.stl").symlink_to(inside / "b.stl")
    (inside / "loop.stl").symlink_to(inside / "loop.stl")
    with pytest.raises(InputError, match="leads out of its folder"):
        load_cast(inside / "a.stl", "upper")
    with pytest.raises(InputError, match="unreadable"):
        load_cast(inside / "loop.stl", "upper")
    assert len(load_cast(inside / "c.stl", "upper")[0].faces)


def test_file_beyond_the_size_bound_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("kinematics.casts.cast.MAX_FILE_BYTES", 1000)
    box().export(tmp_path / "a.stl")
    with pytest.raises(InputError, match="Reduce the number of triangles"):
        load_cast(tmp_path / "a.stl", "upper")


@pytest.mark.parametrize("name", ["open_pair_upper", "open_pair_lower", "closed_pair_lower"])
def test_real_scan_agrees_with_a_general_library(name):
    cast, findings = load_cast(SCANS / f"{name}.stl", name.rsplit("_", 1)[1])
    oracle = trimesh.load(SCANS / f"{name}.stl", process=False)
    assert findings == []
    assert np.array_equal(cast.vertices_mm[cast.faces], oracle.triangles)
    assert len(cast.vertices_mm) == len(np.unique(oracle.vertices, axis=0))


def test_a_cast_goes_to_trimesh_and_back_unchanged():
    mesh = box()
    tooth = np.arange(len(mesh.vertices)) % 3 + 35
    cast = Cast("lower", mesh.vertices, mesh.faces, tooth)
    there = cast.as_trimesh()
    assert there.volume == pytest.approx(60.0 * 50.0 * 20.0)
    back = Cast.from_trimesh(there, "lower")
    np.testing.assert_array_equal(back.vertices_mm, cast.vertices_mm)
    np.testing.assert_array_equal(back.faces, cast.faces)
    np.testing.assert_array_equal(back.tooth, tooth)
    inches = Cast.from_trimesh(box(), "upper", "inch")
    assert not inches.labelled
    np.testing.assert_allclose(np.ptp(inches.vertices_mm, axis=0), [1524.0, 1270.0, 508.0])


@pytest.mark.parametrize(
    ("change", "field"),
    [
        (lambda m: (m, "left", "mm"), "arch"),
        (lambda m: (m, "lower", "ell"), "unit"),
        (lambda m: (trimesh.Trimesh(), "lower", "mm"), "mesh"),
        (lambda m: (trimesh.Trimesh(m.vertices * np.nan, m.faces, process=False), "lower", "mm"),
         "mesh"),
    ],
)  # fmt: skip
def test_a_trimesh_mesh_that_is_no_cast_is_refused(change, field):
    with pytest.raises(InputError) as caught:
        Cast.from_trimesh(*change(box()))
    assert caught.value.where == field
