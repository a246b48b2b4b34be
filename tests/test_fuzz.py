"""A seeded mutator over everything that reads a client's bytes (issue 8).

One second a target in the quick profile, ten in `ci` (half a minute in all), five minutes in
`full`; TRACER_FUZZ_SECONDS says otherwise, TRACER_FUZZ_SEED where to begin. What it finds becomes
a named case beside the reader that it broke.
"""

import contextlib
import os
import random
import resource
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import PROFILE
from tests.raster.test_hostile import SEEDS, mutated, survives
from tests.test_pipeline import ICONS
from tracer.batch.sheet import TEMPLATE_CSV, TEMPLATE_TOML, read_sheet
from tracer.cli.options import Parser
from tracer.cli.plan import add_parser
from tracer.curves.path import Drawing, Shape, polyline_path
from tracer.errors import TracerError
from tracer.process import load_process, process_toml
from tracer.settings import InkOptions
from tracer.write.svg import write_svg
from tracer.write.svg_read import read_svg

SECONDS = float(os.environ.get("TRACER_FUZZ_SECONDS", {"quick": 1, "ci": 10, "full": 300}[PROFILE]))
SEED = int(os.environ.get("TRACER_FUZZ_SEED", "1"))
MOST_BYTES = 1_000_000_000

Attack = Callable[[bytes], None]


def _peak_bytes() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def fuzzed(seeds: list[bytes], attack: Attack, *, seconds: float = SECONDS) -> int:
    """Attack with mutants until the time is over; return how many there were."""
    with contextlib.suppress(TracerError):
        attack(seeds[0])  # what is imported on the way is no part of the time
    before = _peak_bytes()
    rng, count, end = random.Random(SEED), 0, time.monotonic() + seconds
    while time.monotonic() < end:
        mutant = mutated(rng.choice(seeds), rng)
        begun = time.process_time()
        try:
            attack(mutant)
        except TracerError as error:
            shown = str(error)
            if "\n" in shown or error.code == "E_INTERNAL":
                pytest.fail(f"{shown!r} for {mutant!r}")
        except Exception as error:  # noqa: BLE001 - that is what is looked for
            pytest.fail(f"{error!r} for mutant {count} of seed {SEED}: {mutant!r}")
        if time.process_time() - begun > 2:
            pytest.fail(f"over 2 s for mutant {count} of seed {SEED}: {mutant!r}")
        count += 1
    # the peak of the process, which other tests may have set before
    assert _peak_bytes() <= max(MOST_BYTES, before)
    print(f"{count} mutants in {seconds:g} s")
    return count


def test_the_reader() -> None:
    options = InkOptions(max_pixels=1_000_000)
    assert fuzzed([*SEEDS, ICONS[0].png(64)], lambda data: survives(data, options)) > 0


def _through_a_file(path: Path, read: Callable[[Path], object]) -> Attack:
    def attack(data: bytes) -> None:
        path.write_bytes(data)
        read(path)

    return attack


def test_the_settings(tmp_path: Path) -> None:
    """Process files, job sheets of both kinds and piece files, turn about."""
    process = process_toml(load_process("pewter-silicone")).encode()
    piece = (
        b'blank = "disc:50mm"\nbody = "5mm"\nraised = 1\nhole-at = [0, 21]\nrim = "1mm:1mm"\n'
        b'artwork = "missing.png"\n[[design]]\nartwork = "missing.png"\nart-at = "3,-3"\n'
    )
    parser = Parser(prog="tracer")
    add_parser(parser.add_subparsers())

    def plan(path: Path) -> object:
        args = parser.parse_args(["plan", str(path)])
        return args.run(args)  # ends at the artwork that is not there, at the latest

    targets: tuple[tuple[str, bytes, Callable[[Path], object]], ...] = (
        ("process.toml", process, lambda path: load_process(str(path))),
        ("jobs.csv", TEMPLATE_CSV.encode(), read_sheet),
        ("jobs.toml", TEMPLATE_TOML.encode(), read_sheet),
        ("piece.toml", piece, plan),
    )
    for name, seed, read in targets:
        attack = _through_a_file(tmp_path / name, read)
        assert fuzzed([seed], attack, seconds=SECONDS / len(targets)) > 0


def test_the_rereader_of_svg() -> None:
    """Written drawings, hurt; and a drawing that comes back is finite."""
    plain = polyline_path([0j, 9 + 0j, 9 + 7j, 7j])
    text = write_svg(Drawing((Shape(plain),)), unit="mm", title="a <b>", description="d")

    def attack(data: bytes) -> None:
        drawing = read_svg(data.decode("utf-8", "replace"))
        left, bottom, right, top = drawing.bounds
        assert abs(left) + abs(bottom) + abs(right) + abs(top) < float("inf")

    assert fuzzed([text.encode()], attack) > 0


def test_the_fuzzer_notices_a_planted_fault() -> None:
    def attack(data: bytes) -> None:
        if len(data) % 3 == 1:
            raise KeyError("planted")

    with pytest.raises(pytest.fail.Exception, match="planted"):
        fuzzed([b"abcdef" * 9], attack, seconds=5)
