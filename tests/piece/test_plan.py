"""`tracer plan` from artwork to files, read back by libraries that are not ours."""

import base64
import io
import json
import re
import subprocess
import sys
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import resvg_py
import trimesh
from ezdxf.filemanagement import readfile
from lxml import html as lxml_html
from PIL import Image, ImageDraw

from tests.drawings import mixed
from tracer.cli import plan as command
from tracer.cli.options import Parser
from tracer.errors import UsageError
from tracer.piece.amounts import PRINT_SPARE
from tracer.piece.record import GENERATOR

SUFFIXES = ("-plan.svg", "-plan.dxf", "-master.3mf", "-master.stl", "-plan.json", "-job.html")
NO_HOLE_NO_DRAFT = ("--blank", "disc:50mm", "--body", "5mm", "--draft", "0", "--fillet", "0")


def ring_png(path: Path, outer: float = 90, inner: float = 60, *, off: float = 0) -> Path:
    """Draw a ring of metal on transparent ground, 200 px square, by supersampling."""
    over = 8
    image = Image.new("L", (200 * over, 200 * over), 0)
    pen = ImageDraw.Draw(image)
    for radius, tone in ((outer, 255), (inner, 0)):
        box = [(100 - radius + off) * over, (100 - radius) * over,
               (100 + radius + off) * over, (100 + radius) * over]  # fmt: skip
        pen.ellipse(box, fill=tone)
    alpha = image.resize((200, 200), Image.Resampling.BOX)
    colour = Image.new("RGB", (200, 200), "black")
    colour.putalpha(alpha)
    colour.save(path)
    return path


def run(*words: str) -> int:
    parser = Parser(prog="tracer")
    command.add_parser(parser.add_subparsers())
    args = parser.parse_args(["plan", *words])
    return int(args.run(args))


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ring 30 mm wide, raised 1 mm on a disc of 50 x 5 with a hole of 4 mm."""
    folder = tmp_path_factory.mktemp("plan")
    art = ring_png(folder / "tide gauge.png")
    words = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--hole", "4mm",
             "--art-width", "30mm", "--edge-radius", "1mm", "--quiet")  # fmt: skip
    assert run(str(art), *words) == 0
    return folder


def two_colour_png(path: Path) -> Path:
    """A black disc on a red one on white; the black lies on the red."""
    image = Image.new("RGB", (240, 240), "white")
    pen = ImageDraw.Draw(image)
    pen.ellipse((30, 30, 209, 209), "#c00000")
    pen.ellipse((80, 80, 159, 159), "black")
    image.save(path)
    return path


def record(folder: Path, name: str = "tide gauge") -> dict[str, Any]:
    found = json.loads((folder / f"{name}-plan.json").read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def test_every_file_is_written_and_known_as_ours(planned: Path) -> None:
    for suffix in SUFFIXES:
        head = (planned / f"tide gauge{suffix}").read_bytes()[:4096]
        assert GENERATOR.encode() in head, suffix


def test_record_has_the_fields_of_the_contract(planned: Path) -> None:
    found = record(planned)
    for name in ("volume_mm3", "mass_g", "tilt_deg", "edge_radius_limit_mm", "master_scale",
                 "rubber_ml", "metal_to_melt_g", "freeze_s"):  # fmt: skip
        assert found[name] >= 0, name
    assert len(found["centroid_mm"]) == 3
    assert set(found["hole"]) >= {"at_mm", "diameter_mm", "wall_mm"}
    assert set(found["pour"]) >= {"gate", "necks", "vents"}
    assert all({"kind", "text", "rule", "at_mm", "status"} <= set(f) for f in found["findings"])
    kinds = {"standard", "handbook", "physics", "geometry", "shop rule", "judgement"}
    assert {f["rule"] for f in found["findings"]} <= kinds


def test_record_is_valid_against_the_shipped_schema(planned: Path) -> None:
    """JSON Schema 2020-12, checked by `jsonschema`; the ruler: planted errors are noticed."""
    text = resources.files("tracer").joinpath("data", "plan.schema.json").read_text("utf-8")
    jsonschema.Draft202012Validator.check_schema(json.loads(text))
    check = jsonschema.Draft202012Validator(json.loads(text))
    found = record(planned)
    assert not list(check.iter_errors(found))
    without = {name: value for name, value in found.items() if name != "mass_g"}
    for bad in (without, found | {"mass_g": "70"}, found | {"more": 1}, found | {"tilt_deg": -1},
                found | {"size_mm": [1, 2]}, found | {"files": [3]}):  # fmt: skip
        assert list(check.iter_errors(bad))


def test_every_plan_of_these_tests_is_valid(tmp_path: Path) -> None:
    """Levels up and down, one for each colour; an ear; a piece without a hole; calibrated."""
    text = resources.files("tracer").joinpath("data", "plan.schema.json").read_text("utf-8")
    check = jsonschema.Draft202012Validator(json.loads(text))
    two = two_colour_png(tmp_path / "two.png")
    words = ("--blank", "oval:60mmx50mm", "--body", "4mm", "--levels", "2", "--heights",
             "1mm,-0.6mm", "--art-width", "30mm", "--hole", "ring:AWG18", "--rim", "1.5mm:0.8mm",
             "--price-kg", "60", "--hour-rate", "50", "--minutes", "20", "--quiet")  # fmt: skip
    assert run(str(two), *words) in (0, 3)
    found = record(tmp_path, "two")
    assert not list(check.iter_errors(found))
    assert [design["height_mm"] for design in found["designs"]] == [1, -0.6]
    assert found["size_mm"] == pytest.approx([60, 50, 5])
    # its metal and 2 % of dross (what is cut off is melted again), a third of an hour; in cents
    assert found["cost"] == pytest.approx(60 * found["mass_g"] / 980 + 50 / 3, abs=0.0051)
    assert trimesh.load(tmp_path / "two-master.stl").is_watertight
    with pytest.raises(UsageError, match="2 heights for 3 levels"):
        run(str(two), *(("3" if word == "2" else word) for word in words))


def test_amounts_follow_from_the_volume(planned: Path) -> None:
    found = record(planned)
    volume = found["volume_mm3"]
    assert found["mass_g"] == pytest.approx(volume * 7.28e-3, abs=1e-3)
    # an open pour takes 15 % more, dross 2 %
    assert found["metal_to_melt_g"] == pytest.approx(found["mass_g"] * 1.15 / 0.98, abs=1e-3)
    # a round of 70 mm, 16 mm thick, less the piece; a tenth to spare; a circle in steps of 1 degree
    # is 5.1e-5 of 61.6 ml too small
    rubber = (np.pi * 35**2 * 16 - volume) / 1000 * 1.1
    assert found["rubber_ml"] == pytest.approx(rubber, rel=8e-5)
    assert found["rubber"]["each_part_ml"] == pytest.approx(rubber / 2, rel=8e-5)
    printed = found["master"]["volume_mm3"] / 1000
    assert found["print_ml"] == pytest.approx(printed * (1 + PRINT_SPARE), abs=1e-3)
    assert found["print_pla_g"] == pytest.approx(found["print_ml"] * 1.24, abs=1e-3)


def test_relief_is_told_in_layers_of_the_master(planned: Path, tmp_path: Path) -> None:
    # 1 mm, 1/0.995 times as high on the master, in layers of 0.1 mm
    [design] = record(planned)["designs"]
    assert design["layers"] == pytest.approx(10 / 0.995, abs=0.006)
    text = (planned / "tide gauge-job.html").read_text(encoding="utf-8")
    assert "Raised design, about 10 layers" in lxml_html.fromstring(text).text_content()
    art = ring_png(tmp_path / "ring.png")
    words = (*NO_HOLE_NO_DRAFT, "--raised", "0.9mm", "--art-width", "30mm", "--quiet")
    assert run(str(art), *words, "--layer", "0.25mm") == 0
    [note] = [f for f in record(tmp_path, "ring")["findings"] if f["kind"] == "layers"]
    # 0.9 / 0.995 = 0.9045 on the master; 4 layers are 1 mm there, 0.995 finished
    assert "0.905 mm on the master, 3.6 layers of 0.25 mm: 4 layers give 0.995 mm" in note["text"]


def test_hole_hangs_true_and_keeps_its_wall(planned: Path) -> None:
    hole = record(planned)["hole"]
    assert hole["at_mm"] == pytest.approx([0, 21], abs=0.02)
    assert hole["wall_mm"] == pytest.approx(2, abs=0.02)
    assert record(planned)["tilt_deg"] < 0.1


def test_master_is_closed_and_as_large_as_the_record_says(planned: Path) -> None:
    found = record(planned)
    scale = found["master_scale"]
    assert scale == pytest.approx(1 / (1 - 0.005))
    stl = trimesh.load(planned / "tide gauge-master.stl")
    scene = trimesh.load(planned / "tide gauge-master.3mf")
    [packed] = scene.geometry.values()
    for solid in (stl, packed):
        assert solid.is_watertight
        assert solid.is_volume
        assert solid.volume == pytest.approx(found["volume_mm3"] * scale**3, rel=0.005)
        assert solid.center_mass == pytest.approx(np.array(found["centroid_mm"]) * scale, abs=0.02)
        assert solid.euler_number == 0  # one hole through: genus 1
    assert scene.units == "millimeter"
    assert np.ptp(stl.bounds, axis=0) == pytest.approx(
        [50 * scale, 50 * scale, 6 * scale], abs=0.01
    )


def test_drawing_is_read_back_by_ezdxf(planned: Path) -> None:
    document = readfile(planned / "tide gauge-plan.dxf")
    assert document.audit().errors == []
    assert document.audit().fixes == []
    assert document.dxfversion == "AC1024"  # R2010
    assert document.header["$INSUNITS"] == 4
    layers = {layer.dxf.name for layer in document.layers}
    want = {"blank", "raised", "sunk", "hole", "marks"}
    assert want | {f"master-{name}" for name in want} <= layers
    space = document.modelspace()
    [blank] = space.query('CIRCLE[layer=="blank"]')
    assert (blank.dxf.center.x, blank.dxf.center.y, blank.dxf.radius) == pytest.approx((0, 0, 25))
    [master] = space.query('CIRCLE[layer=="master-blank"]')
    assert master.dxf.radius == pytest.approx(25 / 0.995)
    [hole] = space.query('CIRCLE[layer=="hole"]')
    assert hole.dxf.radius == pytest.approx(2)
    assert len(space.query('*[layer=="raised"]')) > 0


def test_svg_is_of_true_size_and_draws(planned: Path) -> None:
    text = (planned / "tide gauge-plan.svg").read_text(encoding="utf-8")
    width, height = re.findall(r'(?:width|height)="([0-9.]+)mm"', text)[:2]
    assert f'viewBox="0 0 {width} {height}"' in text
    for layer in ("blank", "raised", "hole", "marks", "master-blank", "master-raised"):
        assert f'<g id="{layer}"' in text
    png = bytes(resvg_py.svg_to_bytes(svg_string=text, dpi=254))  # 10 px a mm
    with Image.open(io.BytesIO(png)) as image:
        ink = np.asarray(image.convert("RGBA"))[..., 3] > 0
    middle = round((6 + 25 / 0.995) * 10)  # the larger master sets the top
    columns = np.flatnonzero(ink[middle])
    assert columns[0] / 10 == pytest.approx(6.0, abs=0.15)  # left of the blank within its margin
    assert (columns[-1] + 1) / 10 == pytest.approx(6 + 50 + 12 + 50 / 0.995, abs=0.15)


def test_job_sheet_is_safe_and_self_contained(planned: Path) -> None:
    text = (planned / "tide gauge-job.html").read_text(encoding="utf-8")
    page = lxml_html.fromstring(text)
    [policy] = page.xpath('//meta[@http-equiv="Content-Security-Policy"]/@content')
    assert policy == (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none';"
        " form-action 'none'"
    )
    assert not page.xpath("//script | //link | //iframe | //@onerror | //@onload")
    sources = page.xpath("//img/@src")
    assert len(sources) == 3
    assert all(source.startswith("data:image/") for source in sources)
    assert all(page.xpath("//img/@alt"))
    [picture] = [s for s in sources if s.startswith("data:image/png")]
    with Image.open(io.BytesIO(base64.b64decode(picture.split(",")[1]))) as image:
        tones = np.asarray(image.convert("L"))
    assert tones.std() > 20  # light and shade
    for word in ("Order of work", "Cautions", "Metal to melt", "finished", "master", "Notes"):
        assert word in page.text_content()


def test_same_artwork_same_bytes(planned: Path, tmp_path: Path) -> None:
    words = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--hole", "4mm",
             "--art-width", "30mm", "--edge-radius", "1mm", "--quiet")  # fmt: skip
    assert run(str(planned / "tide gauge.png"), *words, "--out", str(tmp_path)) == 0
    for suffix in SUFFIXES:
        name = f"tide gauge{suffix}"
        assert (planned / name).read_bytes() == (tmp_path / name).read_bytes(), suffix


def test_volume_of_a_raised_ring_without_draft(tmp_path: Path) -> None:
    art = ring_png(tmp_path / "ring.png")
    words = (*NO_HOLE_NO_DRAFT, "--raised", "1mm", "--art-width", "30mm", "--quiet")
    assert run(str(art), *words) == 0
    found = record(tmp_path, "ring")
    # ring of 90 and 60 px, 180 px = 30 mm: radii 15 and 10. The tracing is within 0.02 mm
    want = np.pi * (625 * 5 + (225 - 100) * 1)
    edge = 2 * np.pi * (15 + 10) * 0.02
    assert found["volume_mm3"] == pytest.approx(want, abs=edge)
    assert found["mass_g"] == pytest.approx(found["volume_mm3"] * 7.28e-3, abs=1e-3)
    assert found["hole"] is None
    assert found["tilt_deg"] is None


@pytest.mark.slow
def test_rounding_beyond_the_limit_is_refused_with_what_works(tmp_path: Path) -> None:
    # a ring of 43.6 mm on a disc of 50: 3.2 mm of land; 3 mm works and 3.5 mm does not
    art = ring_png(tmp_path / "ring.png")
    words = (*NO_HOLE_NO_DRAFT, "--raised", "1mm", "--art-width", "43.6mm", "--quiet")
    assert run(str(art), *words, "--edge-radius", "3mm") == 0
    limit = record(tmp_path, "ring")["edge_radius_limit_mm"]
    assert 3 <= limit < 3.5
    assert record(tmp_path, "ring")["edge_radius_limit"]["set_by"] == "land"
    with pytest.raises(UsageError) as caught:
        run(str(art), *words, "--edge-radius", "3.5mm")
    assert caught.value.code == "E_EDGE_RADIUS"
    assert f"--edge-radius {limit:g}mm works" in str(caught.value)
    assert "land" in str(caught.value)
    assert run(str(art), *words, "--edge-radius", f"{limit}mm") == 0


def test_art_is_placed_clipped_and_clashes_are_told(tmp_path: Path) -> None:
    art = ring_png(tmp_path / "ring.png")
    words = ("--blank", "disc:50mm", "--body", "5mm", "--sunk", "1mm", "--art-width", "34mm",
             "--art-at", "-3,10", "--art-turn", "-30", "--hole", "4mm", "--quiet")  # fmt: skip
    assert run(str(art), *words) == 3
    found = record(tmp_path, "ring")
    kinds = {f["kind"]: f for f in found["findings"]}
    assert kinds["hole-clash"]["status"] == "open"
    assert kinds["clipped"]["status"] == "note"
    assert found["designs"][0]["at_mm"] == [-3, 10]
    assert found["designs"][0]["clipped_mm2"] > 10
    assert trimesh.load(tmp_path / "ring-master.stl").is_watertight
    inside = ("--overhang", "keep-in:2mm", "--hole", "none")
    assert run(str(art), *words, *inside) in (0, 3)
    assert record(tmp_path, "ring")["designs"][0]["clipped_mm2"] == 0


def test_given_hole_tilts_or_breaks_out(tmp_path: Path) -> None:
    art = ring_png(tmp_path / "ring.png")
    words = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--art-width", "20mm",
             "--hole", "ring:AWG18", "--quiet")  # fmt: skip
    assert run(str(art), *words, "--hole-at", "-10,15") == 0
    found = record(tmp_path, "ring")
    # the centroid stays within 0.1 mm of the middle: atan(10/15) = 33.7 degrees
    assert found["tilt_deg"] == pytest.approx(33.7, abs=0.4)
    assert "tilt" in {f["kind"] for f in found["findings"]}
    assert found["hole"]["diameter_mm"] == 2.0
    with pytest.raises(UsageError, match="breaks out"):
        run(str(art), *words, "--hole-at", "0,24.5")


def test_finish_and_calibration_change_the_master_only(tmp_path: Path) -> None:
    art = ring_png(tmp_path / "ring.png")
    words = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--art-width", "30mm",
             "--draft", "0", "--quiet", "--finish", "0.2mm",
             "--measured", "49.6mm", "--wanted", "50mm")  # fmt: skip
    assert run(str(art), *words) in (0, 3)
    found = record(tmp_path, "ring")
    scale = 50 / 49.6
    assert found["master_scale"] == pytest.approx(scale, abs=1e-6)
    assert found["size_mm"] == [50, 50, 6]
    assert found["master"]["size_mm"] == pytest.approx(
        [50.4 * scale, 50.4 * scale, 6.4 * scale], abs=1e-3
    )
    stl = trimesh.load(tmp_path / "ring-master.stl")
    assert np.ptp(stl.bounds, axis=0) == pytest.approx(found["master"]["size_mm"], abs=0.01)


def test_piece_file_holds_the_same_options(tmp_path: Path) -> None:
    ring_png(tmp_path / "ring.png")
    (tmp_path / "pass.toml").write_text(
        'blank = "rectangle:50mmx40mm:3mm"\nbody = "4mm"\nrim = "1.5mm:0.8mm"\nhole = "4mm"\n'
        'draft = 2\n[[design]]\nartwork = "ring.png"\nraised = "0.8mm"\nart-width = "20mm"\n'
        'art-at = "-8,0"\n[[design]]\nartwork = "ring.png"\nsunk = "0.5mm"\nart-width = "10mm"\n'
        "art-at = [12, 0]\n"
    )
    assert run(str(tmp_path / "pass.toml"), "--quiet") in (0, 3)
    found = record(tmp_path, "pass")
    assert [d["use"] for d in found["designs"]] == ["raised", "sunk"]
    assert found["designs"][1]["at_mm"] == [12, 0]
    assert trimesh.load(tmp_path / "pass-master.stl").is_watertight
    (tmp_path / "bad.toml").write_text('blank = "disc:50mm"\nbdoy = "4mm"\nartwork = "ring.png"\n')
    with pytest.raises(UsageError, match="bdoy"):
        run(str(tmp_path / "bad.toml"))


def test_silhouette_and_grown_blanks(tmp_path: Path) -> None:
    art = ring_png(tmp_path / "ring.png")
    assert run(str(art), "--blank", "none", "--body", "3mm", "--art-width", "40mm", "--draft", "0",
               "--quiet") == 0  # fmt: skip
    want = np.pi * (400 - (20 * 60 / 90) ** 2) * 3
    assert record(tmp_path, "ring")["volume_mm3"] == pytest.approx(want, rel=0.005)
    grown = ("--blank", "outline:+3mm", "--body", "3mm", "--art-width", "40mm", "--sunk", "0.5mm")
    assert run(str(art), *grown, "--draft", "0", "--quiet") in (0, 3)
    assert record(tmp_path, "ring")["size_mm"][:2] == pytest.approx([46, 46], abs=0.1)


def test_density_composition_and_refusals(tmp_path: Path) -> None:
    art = str(ring_png(tmp_path / "ring.png"))
    words = (*NO_HOLE_NO_DRAFT, "--raised", "1mm", "--art-width", "30mm", "--quiet")
    assert run(art, *words, "--alloy", "Sn91Sb7Cu2") == 0
    assert record(tmp_path, "ring")["alloy"]["density_g_cm3"] == pytest.approx(7.268, abs=6e-4)
    assert run(art, *words, "--density", "7.4") == 0
    assert record(tmp_path, "ring")["alloy"]["density_g_cm3"] == 7.4
    for bad, text in (
        (("--density", "5.77"), "grey tin"),
        (("--alloy", "Sn63Pb37"), "37 % lead"),
        (("--alloy", "bronze"), "holds 300"),
    ):
        with pytest.raises(UsageError, match=text):
            run(art, *words, *bad)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/usr/bin/chromium").exists(), reason="wants a browser to print with")
def test_job_sheet_prints_on_one_page_however_much_is_wrong(planned: Path, tmp_path: Path) -> None:
    text = (planned / "tide gauge-job.html").read_text(encoding="utf-8")
    pages = []
    for copies in (0, 40):  # the ruler sees a sheet that is too long
        sheet = tmp_path / f"sheet-{copies}.html"
        sheet.write_text(text.replace("</body>", "<p>more</p>" * copies + "</body>"))
        pdf = tmp_path / f"sheet-{copies}.pdf"
        subprocess.run(
            ["/usr/bin/chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
             "--no-first-run", "--disable-background-networking", "--disable-component-update",
             "--disable-sync", f"--user-data-dir={tmp_path / 'profile'}", "--no-pdf-header-footer",
             f"--print-to-pdf={pdf}", sheet.as_uri()],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        pages.append(len(re.findall(rb"/Type\s*/Page[^s]", pdf.read_bytes())))
    assert pages[0] == 1
    assert pages[1] > 1


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_what_a_plan_takes(tmp_path: Path) -> None:
    """Issue 7: a piece of 50 mm in 20 s and 200 MB; processor time and peak of a whole process."""
    art = tmp_path / "icon.png"
    art.write_bytes(next(mixed(2, seed=4711)).png(1024))
    script = (
        "import sys, time; from pathlib import Path; from tracer.cli.main import main\n"
        "status = main(sys.argv[1:])\n"
        "print(status, time.process_time(), Path('/proc/self/status').read_text())"
    )
    words = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--hole", "4mm",
             "--edge-radius", "1mm", "--quiet")  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", script, "plan", str(art), *words],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    status, seconds = done.stdout.split()[:2]
    [peak_kb] = re.findall(r"VmHWM:\s*(\d+) kB", done.stdout)
    assert int(status) in (0, 3)
    assert float(seconds) < 20
    assert int(peak_kb) < 200_000
