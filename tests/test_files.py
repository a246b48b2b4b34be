"""Writing whole or not at all (issue 8), and names that every file system takes."""

import errno
import os
import resource
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.errors import OutputError, Status
from tracer.files import MARK, MARK_WITHIN, _host, is_ours, remove_stale_parts, write_files
from tracer.names import STEM_LIMIT, safe_stem, same_name_key, shown_name

OURS = f"<svg><!-- {MARK} --></svg>"


def listing(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def write(path: Path, content: str | bytes = OURS, **options: object) -> None:
    write_files({path: content}, **({"inputs": [], "overwrite": False} | options))  # type: ignore[arg-type] # options by name


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 64 kB."""
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root may mount a small disk")
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)], check=False
    )
    if done.returncode:
        pytest.skip("this machine lets nobody mount a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_writes_all_and_nothing_else(tmp_path: Path) -> None:
    write_files(
        {tmp_path / "new" / "a.svg": OURS, tmp_path / "new" / "b.bin": b"\0\1"},
        inputs=[],
        overwrite=False,
    )
    assert listing(tmp_path / "new") == {"a.svg": OURS.encode(), "b.bin": b"\0\1"}


def test_replaces_an_earlier_output(tmp_path: Path) -> None:
    write(tmp_path / "a.svg", OURS + "old")
    write(tmp_path / "a.svg", OURS)
    assert listing(tmp_path) == {"a.svg": OURS.encode()}


@pytest.mark.parametrize("head", ['{\n "schema_version": "1.0",\n "tracer_version": "0.1.0",'])
def test_a_report_is_known_as_ours(tmp_path: Path, head: str) -> None:
    (tmp_path / "a.json").write_text(head)
    assert is_ours(tmp_path / "a.json")


def test_the_mark_counts_at_the_beginning_only(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text(" " * MARK_WITHIN + MARK)
    assert not is_ours(path)
    path.write_text(" " * (MARK_WITHIN - len(MARK)) + MARK)
    assert is_ours(path)


@pytest.mark.parametrize("content", ["", "<svg/>", '{"schema_version": 1}'])
def test_never_replaces_a_file_of_another_origin(tmp_path: Path, content: str) -> None:
    (tmp_path / "a.svg").write_text(content)
    with pytest.raises(OutputError) as caught:
        write_files(
            {tmp_path / "b.svg": OURS, tmp_path / "a.svg": OURS}, inputs=[], overwrite=False
        )
    assert (caught.value.code, caught.value.status) == ("E_EXISTS", Status.NOT_WRITTEN)
    assert listing(tmp_path) == {"a.svg": content.encode()}
    write(tmp_path / "a.svg", overwrite=True)
    assert listing(tmp_path) == {"a.svg": OURS.encode()}


@pytest.mark.parametrize("how", ["itself", "link", "hard link", "other way"])
def test_never_replaces_an_input(tmp_path: Path, how: str) -> None:
    art = tmp_path / "art.svg"
    art.write_text(OURS)  # even if it is ours
    target = tmp_path / "out.svg"
    match how:
        case "itself":
            target = art
        case "link":
            target.symlink_to(art)
        case "hard link":
            target.hardlink_to(art)
        case _:
            target = tmp_path / "x" / ".." / "art.svg"
            (tmp_path / "x").mkdir()
    before = listing(tmp_path)
    with pytest.raises(OutputError, match="input"):
        write(target, "new", inputs=[art], overwrite=True)
    assert listing(tmp_path) == before


def test_a_link_is_replaced_not_followed(tmp_path: Path) -> None:
    (tmp_path / "precious").write_text("precious")
    (tmp_path / "a.svg").symlink_to(tmp_path / "precious")
    with pytest.raises(OutputError):
        write(tmp_path / "a.svg")
    write(tmp_path / "a.svg", overwrite=True)
    assert (tmp_path / "precious").read_text() == "precious"
    assert not (tmp_path / "a.svg").is_symlink()


@pytest.mark.parametrize("kind", ["folder", "pipe", "no parent", "file as parent", "long"])
def test_places_that_cannot_be_written(tmp_path: Path, kind: str) -> None:
    target = tmp_path / "a.svg"
    match kind:
        case "folder":
            target.mkdir()
        case "pipe":
            os.mkfifo(target)
        case "no parent":
            target = tmp_path / "no" / "no" / "a.svg"
        case "file as parent":
            target.write_text("x")
            target = target / "a.svg"
        case _:
            target = tmp_path / ("n" * 252 + ".svg")  # NAME_MAX is 255 (POSIX, ext4)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(OutputError) as caught:
        write(target, overwrite=True)
    assert "\n" not in str(caught.value)
    assert caught.value.code == "E_OUTPUT"
    assert sorted(tmp_path.rglob("*")) == before


def test_a_failure_takes_its_new_folder_back(tmp_path: Path) -> None:
    with pytest.raises(OutputError):
        write_files(
            {tmp_path / "new" / "a.svg": OURS, tmp_path / "new" / ("n" * 300): OURS},
            inputs=[],
            overwrite=False,
        )
    assert list(tmp_path.iterdir()) == []


def test_full_disk(small_disk: Path) -> None:
    write_files(
        {small_disk / "a.svg": OURS, small_disk / "a.json": OURS}, inputs=[], overwrite=False
    )
    before = listing(small_disk)
    large = OURS + "x" * 100_000
    with pytest.raises(OutputError) as caught:
        write_files({small_disk / "a.svg": OURS + "2", small_disk / "a.json": large}, inputs=[],
                    overwrite=False)  # fmt: skip
    assert caught.value.code == "E_DISKFULL"
    assert listing(small_disk) == before


def test_size_limit_of_the_system_is_like_a_full_disk(tmp_path: Path) -> None:
    write(tmp_path / "a.svg")
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, old[1]))
    try:
        with pytest.raises(OutputError) as caught:
            write(tmp_path / "a.svg", OURS + "x" * 20_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert caught.value.code == "E_DISKFULL"
    assert listing(tmp_path) == {"a.svg": OURS.encode()}


@pytest.mark.parametrize("fails_at", range(4))
@pytest.mark.parametrize("there", [(), (1,), (0, 1, 2)])
def test_a_failed_rename_puts_everything_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int, there: tuple[int, ...]
) -> None:
    paths = [tmp_path / f"{n}.svg" for n in range(3)]
    for n in there:
        paths[n].write_text(OURS + "old")
    before = listing(tmp_path)
    real, calls = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == fails_at + 1:
            raise OSError(errno.EIO, "planted", str(self), None, str(target))
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    files = dict.fromkeys(paths, OURS)
    if fails_at == 3:  # nothing fails: the ruler of this test
        write_files(files, inputs=[], overwrite=False)
        assert listing(tmp_path) == {path.name: OURS.encode() for path in paths}
        return
    with pytest.raises(OutputError, match=r"svg: cannot be written: planted"):
        write_files(files, inputs=[], overwrite=False)
    assert listing(tmp_path) == before


KILLED = """
import os, signal, sys
from pathlib import Path
from tracer.files import write_files
real, calls = Path.replace, []
def replace(self, target):
    calls.append(target)
    if len(calls) == int(sys.argv[2]) + 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(self, target)
Path.replace = replace
folder = Path(sys.argv[1])
write_files({folder / f"{n}.svg": sys.argv[3] for n in range(3)}, inputs=[], overwrite=False)
"""


@pytest.mark.parametrize("dies_at", range(3))
def test_the_last_file_seals_the_set_even_over_an_older_one(tmp_path: Path, dies_at: int) -> None:
    for n in range(3):
        (tmp_path / f"{n}.svg").write_text(OURS + "old")
    done = subprocess.run([sys.executable, "-c", KILLED, tmp_path, str(dies_at), OURS], check=False)
    assert done.returncode == -signal.SIGKILL
    assert not (tmp_path / "2.svg").exists()
    for path in tmp_path.glob("?.svg"):
        assert path.read_text() in (OURS, OURS + "old")
    assert remove_stale_parts(tmp_path) > 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["0.svg", "1.svg"]


def test_parts_of_a_living_process_stay(tmp_path: Path) -> None:
    write(tmp_path / "a.svg")
    mine = tmp_path / f".tracer-{_host()}-{os.getpid()}-9.part"
    far = tmp_path / ".tracer-00000000-1-1.part"
    other = tmp_path / ".tracer-notes.part"
    for path in (mine, far, other):
        path.touch()
    assert remove_stale_parts(tmp_path) == 0
    assert mine.exists()
    assert far.exists()
    assert other.exists()


def test_an_interrupt_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "a.svg")
    assert list(tmp_path.iterdir()) == []


def test_ordinary_rights(tmp_path: Path) -> None:
    old = os.umask(0o027)
    try:
        write(tmp_path / "a.svg")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "a.svg").stat().st_mode) == 0o640


def test_an_undecodable_name_inside_a_text_costs_no_result(tmp_path: Path) -> None:
    write(tmp_path / "a.svg", OURS + "logo\udcff.png")
    assert (tmp_path / "a.svg").read_text() == OURS + "logo\\udcff.png"


# -- names ----------------------------------------------------------------------------------------

names = st.text(
    st.one_of(
        st.characters(), st.sampled_from('./\\:*?"<>| \n\r\t\x1b\u202e\u200b\ufeff\udcffCONaux')
    )
)


@given(names)
def test_shown_is_one_plain_line(name: str) -> None:
    shown = shown_name(name)
    shown.encode()  # no lone surrogates
    # Unicode Standard Annex 9, table of explicit and implicit directional characters, and breaks
    turning = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    assert not set(shown) & set(turning + "\n\r\t\x1b\x07\x85\u2028\u2029")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("plain.png", "plain.png"),
        ("two\nlines\r", "two\\nlines\\r"),
        ("\x1b[31mred", "\\x1b[31mred"),
        ("gnp.\u202eevil", "gnp.\\u202eevil"),
        ("logo\udcff.png", "logo\\xff.png"),
        ("Reiher \u00e4\u00f6 \u9dfa \U0001f426", "Reiher \u00e4\u00f6 \u9dfa \U0001f426"),
        ("%s $(x) [red]'\"", "%s $(x) [red]'\""),
    ],
)
def test_shown_examples(name: str, shown: str) -> None:
    assert shown_name(name) == shown


@given(names)
def test_a_safe_stem_is_safe(stem: str) -> None:
    safe = safe_stem(stem)
    assert 0 < len(safe.encode()) <= STEM_LIMIT
    # Microsoft Learn, "Naming Files, Paths, and Namespaces"
    assert not set(safe) & set('<>:"/\\|?*')
    assert not any(ord(c) < 32 for c in safe)
    assert safe == safe.strip(" .")
    assert safe.split(".")[0].upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT9"}
    assert safe_stem(safe) == safe
    assert shown_name(safe) == safe


@pytest.mark.parametrize(
    ("stem", "safe"),
    [
        ("heron", "heron"),
        ("CON", "CON_"),
        ("nul", "nul_"),
        ("Aux.final", "Aux_.final"),
        ("com1", "com1_"),
        ("contact", "contact"),
        ("..", "artwork"),
        ("", "artwork"),
        (".hidden", "hidden"),
        ("a/b\\c", "a_b_c"),
        ("tail. ", "tail"),
        ("new\nline", "new_line"),
        ("cafe\u0301", "caf\u00e9"),
    ],
)
def test_safe_stem_examples(stem: str, safe: str) -> None:
    assert safe_stem(stem) == safe


def test_long_stems_are_cut_and_stay_apart() -> None:
    one, two = safe_stem("\u00e9" * 200 + "1"), safe_stem("\u00e9" * 200 + "2")
    assert one != two
    assert max(len(one.encode()), len(two.encode())) <= STEM_LIMIT


def test_names_that_a_file_system_takes_for_one() -> None:
    assert same_name_key("Stra\u00dfe") == same_name_key("STRASSE")
    assert same_name_key("\u212b") == same_name_key("a\u030a")  # Angstrom sign, Unicode NFC example
    assert same_name_key("heron") != same_name_key("herons")
