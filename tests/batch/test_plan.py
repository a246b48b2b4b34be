"""What is worked, in which size, under which name: decided before anything starts (issue 6)."""

import io
import os
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.batch.sets import WISHES
from tracer.batch.plan import Wishes, make_plan, name_outputs
from tracer.batch.scale import common_pitch
from tracer.batch.sheet import TEMPLATE_CSV, TEMPLATE_TOML, read_sheet
from tracer.batch.task import Box, Task, ink_extent
from tracer.batch.walk import walk
from tracer.errors import TracerError, UsageError
from tracer.names import same_name_key
from tracer.settings import Role, Settings, Size, SizeBy


def planned(folder: Path, *, out: Path | None = None) -> dict[str, str]:
    plan = make_plan(folder, out or folder / "out", WISHES)
    return {e.shown: e.problem.code if e.problem else e.stem for e in plan.entries}


# -- names ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "stems"),
    [
        (["heron.png"], ["heron"]),
        (["logo.png", "logo.jpg"], ["logo-png", "logo-jpg"]),
        (["logo.png", None], ["logo", ""]),
        (["Logo.png", "logo.PNG"], ["Logo-png", "logo-png-2"]),
        (["caf\u00e9.png", "cafe\u0301.gif"], ["caf\u00e9-png", "caf\u00e9-gif"]),
        (["a/x.png", "b/x.png", "x.png"], ["a/x", "b/x", "x"]),
        (["logo.png", "logo.jpg", "logo-png.gif"], ["logo-png", "logo-jpg", "logo-png-2"]),
        (["index.png", "Summary.gif"], ["index-png", "Summary-gif"]),
        (["index", "index-2.png", "a/index.png"], ["index-art", "index-2-png", "a/index"]),
        (["../../etc/x.png"], ["etc/x"]),
        (["a:b.png", "a?b.png"], ["a_b-png", "a_b-png-2"]),
        (["aux.png", "a b.png", " a.png"], ["aux_", "a b", "a"]),
        (["archive.tar.png"], ["archive.tar"]),
    ],
)
def test_names_of_outputs(names: list[str | None], stems: list[str]) -> None:
    assert name_outputs(names) == stems


def test_several_outlines_of_one_artwork_meet_no_other() -> None:
    """``logo`` may write logo-1.svg, which is what ``logo-1`` would write."""
    stems = name_outputs(["logo.png", "logo-1.png", "heron.png"], many=True)
    assert stems[2] == "heron"
    written = [f"{stem}-{n}" for stem in stems for n in (1, 2)] + stems
    assert len({same_name_key(name) for name in written}) == len(written)


trouble = st.lists(
    st.text(st.sampled_from("aA\u00e9\u0301e.-12/ :\n\udcffx"), min_size=1, max_size=8).map(
        lambda name: name + ".png"
    )
    | st.sampled_from(
        ["index", "index-2", "summary.csv", "../x.png", "con", "logo.png", "LOGO.gif"]
    ),
    max_size=12,
)


@given(trouble, st.booleans())
def test_no_two_names_meet_and_none_leaves_the_folder(names: list[str], many: bool) -> None:
    stems = name_outputs(list(names), many=many)
    assert len({same_name_key(stem) for stem in stems}) == len(stems)
    for stem in stems:
        parts = stem.split("/")
        assert not {"", ".", ".."} & set(parts)
        assert not (
            len(parts) == 1 and re.fullmatch(r"(index|summary)(-\d+)?", stem, re.IGNORECASE)
        )


# -- folders --------------------------------------------------------------------------------------


def test_what_a_folder_holds(tmp_path: Path) -> None:
    names = "b.PNG a.jpeg scan.tif bare notes.txt Thumbs.db .hidden.png ~$x.png sub/c.gif"
    for name in [*names.split(), "__MACOSX/d.png", ".git/e.png", "art.png/f.webp"]:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / "list").write_text("no picture")
    found = walk(tmp_path, leave_out=tmp_path / "out")
    assert [f.relative for f in found.found] == [
        "a.jpeg", "art.png/f.webp", "b.PNG", "bare", "scan.tif", "sub/c.gif",
    ]  # fmt: skip
    assert found.ignored == 7


def test_the_output_folder_inside_and_its_outlines_are_no_artworks(tmp_path: Path) -> None:
    (tmp_path / "a.png").touch()
    (tmp_path / "a.svg").write_text("<!-- made by tracer -->")
    (tmp_path / "client.svg").write_text("<svg/>")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "b.png").touch()
    assert planned(tmp_path) == {"a.png": "a", "client.svg": "E_UNSUPPORTED"}
    assert planned(tmp_path, out=tmp_path) == {
        "a.png": "a", "client.svg": "E_UNSUPPORTED", "out/b.png": "out/b",
    }  # fmt: skip


def test_links(tmp_path: Path) -> None:
    root = tmp_path / "set"
    (root / "real").mkdir(parents=True)
    (root / "real" / "a.png").touch()
    (tmp_path / "secret.png").touch()
    (root / "inside.png").symlink_to(root / "real" / "a.png")
    (root / "outside.png").symlink_to(tmp_path / "secret.png")
    (root / "broken.png").symlink_to(root / "nothing")
    (root / "self.png").symlink_to(root / "self.png")
    (root / "real" / "up").symlink_to(root)  # a loop: rglob and os.walk(followlinks) go round
    (root / "away").symlink_to(tmp_path)
    assert planned(root) == {
        "broken.png": "E_MISSING", "inside.png": "inside", "outside.png": "E_OUTSIDE",
        "real/a.png": "real/a", "self.png": "E_MISSING",
    }  # fmt: skip


def test_a_folder_that_cannot_be_read_has_a_row(tmp_path: Path) -> None:
    (tmp_path / "closed").mkdir()
    (tmp_path / "a.png").touch()
    real = os.scandir

    def scandir(path: object = ".") -> object:  # root may read everything, so it is planted
        if str(path).endswith("closed"):
            raise PermissionError(13, "Permission denied")
        return real(path)  # type: ignore[call-overload] # planted for one path

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "scandir", scandir)
        assert planned(tmp_path) == {"a.png": "a", "closed": "E_PERMISSION"}


@pytest.mark.parametrize("kind", ["empty", "missing", "file", "only text"])
def test_no_artwork_at_all(tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "set"
    if kind != "missing":
        folder.mkdir()
    if kind == "file":
        folder = tmp_path / "set" / "x.png"
        folder.touch()
    if kind == "only text":
        (folder / "x.txt").touch()
    with pytest.raises(UsageError) as caught:
        make_plan(folder, tmp_path / "out", WISHES)
    assert caught.value.code == "E_NOINPUT"


def test_a_set_without_a_size(tmp_path: Path) -> None:
    (tmp_path / "a.png").touch()
    with pytest.raises(UsageError, match="no size"):
        make_plan(tmp_path, tmp_path / "out", Wishes(WISHES.settings, sized=False))


def test_a_process_that_is_wrong_stops_everything(tmp_path: Path) -> None:
    (tmp_path / "a.png").touch()
    settings = Settings(WISHES.settings.size, process="pewter-in-butter")
    with pytest.raises(UsageError, match="not a known process"):
        make_plan(tmp_path, tmp_path / "out", Wishes(settings, sized=True))


# -- job sheets -----------------------------------------------------------------------------------


def sheet(folder: Path, text: str, name: str = "jobs.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode())
    return path


@pytest.mark.parametrize(("text", "name"), [(TEMPLATE_CSV, "j.csv"), (TEMPLATE_TOML, "j.toml")])
def test_the_templates_are_job_sheets(tmp_path: Path, text: str, name: str) -> None:
    one, two = read_sheet(sheet(tmp_path, text, name))
    assert (one.file, one.size, one.role) == ("heron.png", Size(SizeBy.WIDTH, 50.0), Role.RAISED)
    assert one.notes == "brooch for the ferry house"
    assert (two.file, two.size) == ("signs/anchor.png", Size(SizeBy.HEIGHT, 50.8))


@pytest.mark.parametrize(
    "text",
    [
        "file,width\na.png,40mm\n",
        "\ufefffile;width\r\na.png;40\r\n\r\n",  # as spreadsheets write it in much of Europe
        "width\tFILE\n4cm\ta.png\n",
        'file,width,notes\na.png,40,"one, two\nthree"\n',
        "file,width,\na.png,40,\n",
    ],
)
def test_ways_to_write_a_sheet(tmp_path: Path, text: str) -> None:
    [line] = read_sheet(sheet(tmp_path, text))
    assert (line.file, line.size) == ("a.png", Size(SizeBy.WIDTH, 40.0))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1"),
        ("file\n", "names no artwork"),
        ("file,widht\na,1\n", 'is "width" meant'),
        ("width\n1\n", 'no column "file"'),
        ("file,file\na,b\n", "twice"),
        ("file,width,height\na,1,2\n", "line 2.*contradict"),
        ("file,width\na,1\nb,wide\n", "line 3.*not a length"),
        ("file,width\na,nan\n", "not a length"),
        ("file,role\na,flat\n", "not a role"),
        ("file,width\n,40\n", "names no file"),
        ("file,width\na,1,2\n", "more cells"),
        ('file,width\n"a,1\n', "not valid CSV"),
    ],
)
def test_sheets_that_are_wrong(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(UsageError, match=says) as caught:
        read_sheet(sheet(tmp_path, text))
    assert caught.value.code == "E_SETTINGS_FILE"
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    ["[[job]\n", "a = 1\n", "job = 3\n", "[[job]]\nfile = 'a'\nwidth = true\n",
     "[[job]]\nfile = ['a']\n", "[[job]]\nwidth = 3\n", "[[job]]\nfile='a'\nwidth = nan\n",
     "[[job]]\nfile='a'\nwidth = inf\n", "job = [1]\n"],
)  # fmt: skip
def test_toml_sheets_that_are_wrong(tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError):
        read_sheet(sheet(tmp_path, text, "jobs.toml"))


def test_a_sheet_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "jobs.csv"
    path.write_bytes(b"\xff\xfe\0f")
    with pytest.raises(UsageError, match="UTF-8"):
        read_sheet(path)


def test_each_its_own(tmp_path: Path) -> None:
    text = "file,width,height,process,role\na.png,30,,silver-lostwax,sunk\nb.png,,20,,\nc.png,,,,\n"
    a, b, c = make_plan(sheet(tmp_path, text), tmp_path / "out", WISHES).entries
    assert (a.settings.process, a.settings.role) == ("silver-lostwax", Role.SUNK)
    assert [e.settings.size.mm for e in (a, b, c)] == [30.0, 20.0, 40.0]
    boxed = Wishes(WISHES.settings, sized=False, box=Box(10, 10))
    a, b, c = make_plan(tmp_path / "jobs.csv", tmp_path / "out", boxed).entries
    assert [e.box for e in (a, b, c)] == [None, None, Box(10, 10)]


def test_a_sheet_reaches_files_elsewhere_but_writes_at_home(tmp_path: Path) -> None:
    text = f"file,width\n../far/a.png,1\n{tmp_path}/b.png,1\nsub/../sub/c.png,1\n"
    (tmp_path / "here").mkdir()
    plan = make_plan(sheet(tmp_path / "here", text), tmp_path / "out", WISHES)
    assert [e.stem for e in plan.entries] == ["a", "b", "sub/c"]


@pytest.mark.parametrize("extra", ["width", "sized"])
def test_sizes_that_contradict(tmp_path: Path, extra: str) -> None:
    text = "file,width\na.png,30\n" if extra == "width" else "file\na.png\n"
    wishes = Wishes(WISHES.settings, sized=extra == "width", same_scale=extra == "width")
    with pytest.raises(TracerError):
        make_plan(sheet(tmp_path, text), tmp_path / "out", wishes)


# -- sizes ----------------------------------------------------------------------------------------


@given(
    st.lists(st.tuples(st.floats(1, 1e4), st.floats(1, 1e4)), min_size=1, max_size=9),
    st.floats(1, 100),
    st.floats(1, 100),
)
def test_a_common_pitch_has_all_fit_and_one_touch(
    extents: list[tuple[float, float]], width: float, height: float
) -> None:
    wishes = Wishes(WISHES.settings, sized=False, box=Box(width, height))
    number, size = common_pitch(dict(enumerate(extents)), wishes)
    pitch = size.mm / extents[number][0 if size.by is SizeBy.WIDTH else 1]
    slack = 1 + 1e-9  # rounding of one product and one quotient
    assert all(w * pitch <= width * slack and h * pitch <= height * slack for w, h in extents)
    share = max(max(w * pitch / width, h * pitch / height) for w, h in extents)
    assert share == pytest.approx(1, rel=1e-9)


def test_the_largest_gets_the_width() -> None:
    extents = {0: (10.0, 99.0), 1: (30.0, 5.0)}
    assert common_pitch(extents, WISHES) == (1, Size(SizeBy.WIDTH, 40.0))


def test_extent_of_a_disc_between_pixels() -> None:
    """A disc of radius 20.25 px, drawn from its formula by 16 x 16 samples a pixel."""
    steps = (np.arange(64 * 16) + 0.5) / 16
    inside = (steps[:, None] - 32) ** 2 + (steps[None, :] - 31.5) ** 2 <= 20.25**2
    cover = inside.reshape(64, 16, 64, 16).mean(axis=(1, 3))
    pixels = np.zeros((64, 64, 4), np.uint8)
    pixels[..., 3] = np.rint(cover * 255)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    extent = ink_extent(Task(out.getvalue(), "disc.png", WISHES.settings))
    # the outermost pixel row is covered by less than its width: a sagitta of 1/(8 r) = 0.006 px,
    # and the level is interpolated over one pixel: 0.3 px bounds both ends together
    assert extent == pytest.approx((40.5, 40.5), abs=0.3)
