"""Files appear whole or not at all."""

import errno
import os

import pytest

from zrough import OutputError
from zrough.io import make_folder, write_atomic


def test_text_and_bytes_arrive_as_given(tmp_path):
    assert write_atomic(tmp_path / "a.nc", "G0 X1\nM30\n") == tmp_path / "a.nc"
    assert (tmp_path / "a.nc").read_bytes() == b"G0 X1\nM30\n"
    write_atomic(tmp_path / "a.nc", b"\x00\x01")
    assert (tmp_path / "a.nc").read_bytes() == b"\x00\x01"
    assert [p.name for p in tmp_path.iterdir()] == ["a.nc"]


@pytest.mark.parametrize("failing", ["fsync", "replace"])
def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch, failing):
    target = write_atomic(tmp_path / "a.nc", "old")

    def full(*args):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, failing, full)
    with pytest.raises(OutputError, match="No space left on device; free space"):
        write_atomic(target, "new")
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.nc"]


def test_an_interrupt_leaves_nothing(tmp_path, monkeypatch):
    def interrupted(*args):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_atomic(tmp_path / "a.nc", "new")
    assert list(tmp_path.iterdir()) == []


def test_missing_folder_and_names_in_the_way(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        write_atomic(tmp_path / "none" / "a.nc", "x")
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be made"):
        make_folder(tmp_path / "file" / "inner")
    assert make_folder(tmp_path / "a" / "b").is_dir()
    make_folder(tmp_path / "a" / "b")
