"""What the viewer saves: the changed case, reports, archives; and which ports it takes."""

import os
import socket
import sys
import zipfile
from pathlib import Path

import pytest

from kinematics.base.errors import InputError
from kinematics.case.read import read_case, write_case
from tests.makers.cases import landmarks_only
from viewer.app.export import export, save_case, slug
from viewer.app.page import index_html, map_table, palette_css
from viewer.app.server import check_port
from viewer.app.session import Session


def opened(tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    return Session(read_case(tmp_path / "case.toml"))


def test_a_saved_case_read_again_is_the_changed_case(tmp_path):
    session = opened(tmp_path)
    session.change("left_superior_mm", -2.25)
    session.change("departure_mm", -1.5)
    path = save_case(session.case, "changed")
    assert path == tmp_path / "changed.toml"
    again = Session(read_case(path)).reading
    assert again.departure_mm == pytest.approx(-1.5, abs=1e-6)
    assert again.case == session.case


def test_an_existing_file_is_replaced_only_on_request(tmp_path):
    session = opened(tmp_path)
    before = (tmp_path / "case.toml").read_bytes()
    with pytest.raises(InputError, match="exists"):
        save_case(session.case, "case.toml")
    assert (tmp_path / "case.toml").read_bytes() == before
    session.change("tolerance_mm", 0.2)
    save_case(session.case, "case.toml", overwrite=True)
    assert read_case(tmp_path / "case.toml").decision.tolerance_mm == 0.2


@pytest.mark.parametrize(
    "name", ["", "../x.toml", "/tmp/x.toml", "a/b.toml", ".toml", "x\n.toml", "a\\b.toml", "é" * 99]
)
def test_a_name_that_leaves_the_folder_is_refused(tmp_path, name):
    with pytest.raises(InputError, match="file name"):
        save_case(opened(tmp_path).case, name)
    assert [p.name for p in tmp_path.iterdir()] == ["case.toml"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    session = opened(tmp_path)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(InputError, match="folder"):
            save_case(session.case, "x.toml")
    finally:
        tmp_path.chmod(0o700)


@pytest.mark.parametrize(("text", "stem"), [("Open pair", "open-pair"), ("../é", "case")])
def test_a_label_makes_a_harmless_file_name(text, stem):
    assert slug(text) == stem


def test_the_archive_holds_report_numbers_and_the_case(tmp_path):
    session = opened(tmp_path)
    session.change("tolerance_mm", 0.15)
    out = tmp_path / "out"
    out.mkdir()
    path = export(session.reading, "all", out, "light", "left", 10)
    with zipfile.ZipFile(path) as archive:
        names = {n.split("/")[1] for n in archive.namelist()}
        case = archive.read("hingewise-landmarks-only/case.toml").decode()
    assert {"report.html", "result.json", "landmarks.csv", "case.toml"} <= names
    assert "tolerance_mm = 0.15" in case
    assert [p.name for p in out.iterdir()] == [path.name]


def test_the_report_is_one_file(tmp_path):
    path = export(opened(tmp_path).reading, "report", tmp_path, "light", "left", 1)
    text = path.read_text(encoding="utf-8")
    assert "landmarks only" in text
    assert "not a medical device" in text


def test_an_animation_without_casts_and_an_unknown_export_are_refused(tmp_path):
    reading = opened(tmp_path).reading
    with pytest.raises(InputError, match="casts"):
        export(reading, "gif", tmp_path, "light", "left", 1)
    with pytest.raises(InputError, match="report, all, gif or mp4"):
        export(reading, "exe", tmp_path, "light", "left", 1)


def test_a_port_in_use_is_refused_with_what_to_do():
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(InputError, match=rf"--port: got {port} .*in use.*free port"):
            check_port(port)
    check_port(0)


@pytest.mark.parametrize("port", [-1, 65536, 10**9])
def test_a_port_out_of_range_is_refused(port):
    with pytest.raises(InputError, match="--port"):
        check_port(port)


def test_the_page_loads_only_relative_addresses_and_holds_no_inline_script():
    from trame_client.module import vue3

    page = index_html((Path(vue3.www) / "index.html").read_text(encoding="utf-8"))
    body = page.replace("http:%2F%2Fwww.w3.org", "")  # the icon's name space, inside a data address
    assert "http:" not in body
    assert "https:" not in body
    assert "<script>" not in page


def test_a_trame_without_a_script_is_our_fault_and_said():
    with pytest.raises(RuntimeError, match="trame-client"):
        index_html("<html></html>")


def test_the_page_has_both_themes_and_a_map_centred_on_zero():
    css = palette_css()
    assert "--true: #0072b2" in css
    assert 'data-theme="dark"' in css
    table = map_table()
    assert len(table) == 257
    assert min(table[128]) > 225


def test_serving_reads_nothing_of_the_caller_s_command_line(monkeypatch):
    from viewer.app.server import bare_command_line

    monkeypatch.setattr(sys, "argv", ["hingewise", "--host", "0.0.0.0"])
    with bare_command_line():
        assert sys.argv == ["hingewise"]
    assert sys.argv[1:] == ["--host", "0.0.0.0"]
