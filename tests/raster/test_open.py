"""The file part of reading: whatever lies where an artwork was expected."""

import os
import socket
from pathlib import Path

import pytest

from tracer.errors import InputError
from tracer.raster.open import load_file


def refused(path: Path, max_bytes: int = 1000) -> InputError:
    with pytest.raises(InputError) as caught:
        load_file(path, max_bytes)
    assert caught.value.hint
    return caught.value


def test_a_file_and_a_link_to_it(tmp_path: Path) -> None:
    (tmp_path / "oar.png").write_bytes(b"oar")
    (tmp_path / "link.png").symlink_to(tmp_path / "oar.png")
    (tmp_path / "empty.png").touch()
    assert load_file(tmp_path / "oar.png") == load_file(tmp_path / "link.png") == b"oar"
    assert load_file(tmp_path / "empty.png") == b""


def test_folders_pipes_sockets_and_devices_are_never_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "art.png").mkdir()
    os.mkfifo(tmp_path / "pipe.png")
    (tmp_path / "zero.png").symlink_to("/dev/zero")
    monkeypatch.chdir(tmp_path)  # a socket's path must be short
    with socket.socket(socket.AF_UNIX) as server:
        server.bind("socket.png")
        for name in ("art.png", "pipe.png", "zero.png", "socket.png"):
            assert refused(tmp_path / name).code == "E_NOTFILE", name


def test_what_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "lantern.png").touch()
    (tmp_path / "gone.png").symlink_to(tmp_path / "nowhere.png")
    missing = refused(tmp_path / "lantren.png")
    assert missing.code == "E_MISSING"
    assert "lantern.png" in missing.hint
    assert "points nowhere" in refused(tmp_path / "gone.png").message
    for path in (tmp_path / "lantern.png" / "x.png", tmp_path / "no" / "x.png", Path("a\0b.png")):
        assert refused(path).code == "E_MISSING"
    loop = tmp_path / "loop.png"
    loop.symlink_to(loop)
    assert refused(loop).code == "E_MISSING"


def test_the_size_is_checked_before_reading(tmp_path: Path) -> None:
    path = tmp_path / "sparse.png"
    with path.open("wb") as stream:
        stream.truncate(5_000_000_000)
    error = refused(path, 512_000_000)
    assert error.code == "E_TOOBIG"
    assert "5,000 MB" in error.message


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The superuser may read anything, so the refusal of the system is played."""
    path = tmp_path / "oar.png"
    path.write_bytes(b"oar")

    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)
    assert refused(path).code == "E_PERMISSION"


def test_a_file_that_grows_is_read_once_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "oar.png"
    path.write_bytes(b"oar")
    fstat, seen = os.fstat, []

    def writing(descriptor: int) -> os.stat_result:
        """Let the file grow between the first look at it and its last byte."""
        status = fstat(descriptor)
        seen.append(status)
        if len(seen) % 2 == 1 and len(seen) < 2 * times:
            with path.open("ab") as stream:
                stream.write(b"!")
        return status

    monkeypatch.setattr(os, "fstat", writing)
    times = 1
    assert load_file(path) == b"oar!"
    seen.clear()
    times = 2
    assert refused(path).code == "E_CHANGED"
