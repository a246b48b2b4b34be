"""Drawn icons put through what happens to artwork on its way, against their clean rendering.

    python -m tests.bench.degrade [--count 24] [--seed 11] [--only WORDS] [--sheet DIR]

Each drawing of the icon sets is rendered clean at 512 px (Agg, exact areas) and then degraded; the
reader and the search for ink get the file's bytes and nothing else. Printed for each degradation:
the distance of the rings found, refined as the fit gets them, from the outline that the designer
drew (p95 in px of the clean rendering, median and 90th percentile of files), the share of files
refused, how often the verdict at 40 mm in pewter is that of the clean file, and the warnings given.

Each file whose verdict is another follows on a line of its own, with the place that decides and by
how many px of the clean rendering its width is off the limit. Up to twice the file's p95 (a width
has two sides) the outline's own error explains it; the line then ends in "within error".
"""

import argparse
import io
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.bench.renderings import alpha
from tests.drawings import mixed
from tests.rulers import two_sided
from tests.truth import true_outline
from tracer.errors import TracerError
from tracer.model import Coverage, Finding, Kind, Verdict
from tracer.pipeline import Job, size_and_mend, trace_pixels
from tracer.process import load_process
from tracer.settings import Settings, Size, SizeBy

Floats = NDArray[np.float64]
PIXELS = 512
MARGIN = 32
WIDTH_MM = 40.0
TURN_DEG = 1.7

Degradation = Callable[[Floats, np.random.Generator], bytes]


def _bytes(grey: Floats, file_format: str = "PNG", **options: Any) -> bytes:
    stream = io.BytesIO()
    samples = np.rint(np.clip(grey, 0, 1) * 255).astype(np.uint8)
    Image.fromarray(samples).save(stream, file_format, **options)
    return stream.getvalue()


def clean(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(1 - ink)


def jpeg_85(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(1 - ink, "JPEG", quality=85)


def jpeg_60(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(1 - ink, "JPEG", quality=60)


def jpeg_10(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(1 - ink, "JPEG", quality=10)


def blur(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(1 - ndimage.gaussian_filter(ink, 1.2))


def noise(ink: Floats, rng: np.random.Generator) -> bytes:
    return _bytes(0.08 + 0.84 * (1 - ink) + rng.normal(0, 0.05, ink.shape))


def grey_ground(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(0.72 - 0.5 * ink)


def white_on_black(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(ink)


def _lit(ink: Floats, rng: np.random.Generator) -> Floats:
    """Return an unevenly lit sheet of textured paper, in light."""
    y, x = np.mgrid[: ink.shape[0], : ink.shape[1]] / max(ink.shape)
    light = 0.9 - 0.45 * x - 0.2 * y * y
    fold = 1 - 0.12 * np.exp(-(((x - 0.62) / 0.03) ** 2))
    texture = ndimage.gaussian_filter(rng.normal(0, 1, ink.shape), 1.5)
    paper = 0.85 + 0.04 * texture / texture.std()
    return np.asarray(light * fold * paper * (1 - 0.93 * ink))


def _seen(light: Floats, rng: np.random.Generator) -> Floats:
    """Return what a camera stores: sensor noise, then the curve of sRGB (IEC 61966-2-1)."""
    light = np.clip(light + rng.normal(0, 0.004, light.shape), 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def uneven_stored(ink: Floats, rng: np.random.Generator) -> bytes:
    """Uneven light on a rendered sheet: everything in stored values."""
    return _bytes(_lit(ndimage.gaussian_filter(ink, 0.7), rng) + rng.normal(0, 0.01, ink.shape))


def photographed(ink: Floats, rng: np.random.Generator) -> bytes:
    """A photograph of a print: the lens blurs light, the camera encodes it, JPEG packs it."""
    exif = Image.Exif()
    exif[0x010F] = "some camera"
    return _bytes(
        _seen(ndimage.gaussian_filter(_lit(ink, rng), 1.0), rng), "JPEG", quality=85, exif=exif
    )


def stripped(ink: Floats, rng: np.random.Generator) -> bytes:
    """A photograph whose Exif was lost, so that nothing tells that light was mixed."""
    with Image.open(io.BytesIO(photographed(ink, rng))) as image:
        return _bytes(np.asarray(image, dtype=np.float64) / 255)


def turned(ink: Floats, rng: np.random.Generator) -> bytes:
    """As photographed, the sheet lying turned."""
    seen = ndimage.rotate(ink, TURN_DEG, reshape=False, order=3, mode="constant")
    return photographed(np.clip(seen, 0, 1), rng)


def low_resolution(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(1 - _quarter(ink))


def enlarged(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(np.kron(1 - _quarter(ink), np.ones((4, 4))).astype(np.float64))


def enlarged_1_bit(ink: Floats, _: np.random.Generator) -> bytes:
    return _bytes(np.kron(_quarter(ink) < 0.5, np.ones((4, 4))).astype(float))


def _quarter(ink: Floats) -> Floats:
    rows, columns = ink.shape
    return np.asarray(ink.reshape(rows // 4, 4, columns // 4, 4).mean(axis=(1, 3)))


def _rgba(colour: Floats, alpha: Floats) -> bytes:
    stream = io.BytesIO()
    samples = np.rint(np.clip(np.dstack([colour, alpha]), 0, 1) * 255).astype(np.uint8)
    Image.fromarray(samples).save(stream, "PNG")
    return stream.getvalue()


def alpha_halo(ink: Floats, rng: np.random.Generator) -> bytes:
    """Transparent ground; a white halo in the edges, any colour under full transparency."""
    colour = np.repeat(np.where(ink < 1, 1.0, 0.1)[..., None], 3, axis=2)
    under = ink == 0
    colour[under] = rng.random((int(under.sum()), 3))
    return _rgba(colour, ink)


def alpha_shadow(ink: Floats, _: np.random.Generator) -> bytes:
    """Transparent ground; a soft shadow of 35 % beside the design."""
    shadow = 0.35 * ndimage.gaussian_filter(np.roll(ink, (6, 6), (0, 1)), 5)
    alpha = ink + shadow * (1 - ink)
    return _rgba(np.zeros((*ink.shape, 3)), alpha)


def red_on_cream(ink: Floats, _: np.random.Generator) -> bytes:
    paper, red = np.array([0.98, 0.95, 0.86]), np.array([0.75, 0.1, 0.12])
    stream = io.BytesIO()
    colour = paper + ink[..., None] * (red - paper)
    Image.fromarray(np.rint(colour * 255).astype(np.uint8)).save(stream, "PNG")
    return stream.getvalue()


def _on_gold(quality: int) -> Degradation:
    """Return red on gold, packed with the colour at half the resolution."""

    def degraded(ink: Floats, _: np.random.Generator) -> bytes:
        gold, red = np.array([0.88, 0.69, 0.19]), np.array([0.75, 0.19, 0.16])
        stream = io.BytesIO()
        colour = np.rint(255 * (gold + ink[..., None] * (red - gold))).astype(np.uint8)
        Image.fromarray(colour).save(stream, "JPEG", quality=quality, subsampling=2)
        return stream.getvalue()

    return degraded


DEGRADATIONS: dict[str, tuple[Degradation, int, float]] = {
    # name: (function, px of the clean rendering in one of its pixels, degrees turned)
    "clean": (clean, 1, 0), "jpeg 85": (jpeg_85, 1, 0), "jpeg 60": (jpeg_60, 1, 0),
    "jpeg 10": (jpeg_10, 1, 0), "blur 1.2 px": (blur, 1, 0), "noise 5 %": (noise, 1, 0),
    "grey ground": (grey_ground, 1, 0), "white on black": (white_on_black, 1, 0),
    "uneven, stored": (uneven_stored, 1, 0), "photographed": (photographed, 1, 0),
    "photographed, turned": (turned, 1, TURN_DEG), "photographed, Exif lost": (stripped, 1, 0),
     "a quarter of the pixels": (low_resolution, 4, 0),
    "that, enlarged 4 times": (enlarged, 1, 0), "1 bit, enlarged 4 times": (enlarged_1_bit, 1, 0),
    "alpha, halo": (alpha_halo, 1, 0), "alpha, shadow": (alpha_shadow, 1, 0),
    "red on cream": (red_on_cream, 1, 0),
    "red on gold, JPEG 75": (_on_gold(75), 1, 0), "red on gold, JPEG 60": (_on_gold(60), 1, 0),
}  # fmt: skip


def turned_rings(rings: list[Floats], degrees: float, side: int) -> list[Floats]:
    """Return the rings as they lie once the sheet is turned about its middle."""
    angle = np.radians(-degrees)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return [(ring - side / 2) @ matrix.T + side / 2 for ring in rings]


@dataclass(frozen=True)
class Judged:
    """What `check` makes of a file."""

    coverage: Coverage
    rings: list[Floats]  # refined, in px of the clean rendering
    findings: tuple[Finding, ...]
    verdict: Verdict
    pitch_mm: float  # of the clean rendering


SETTINGS = Settings(Size(SizeBy.WIDTH, WIDTH_MM))
SEVERITY = list(Verdict)


def judged(data: bytes, scale: int = 1) -> Judged:
    (traced,) = trace_pixels(data, "artwork", SETTINGS)
    job = Job(SETTINGS, load_process(SETTINGS.process), True, None, lambda _: None)
    result = size_and_mend(traced, job)
    mended, pitch = result.mended, result.frame.pitch_mm / scale
    rings = [ring * scale for ring in traced.rings]
    return Judged(traced.coverage, rings, mended.findings, mended.verdict, pitch)


def why(clean_one: Judged, other: Judged, error_px: float) -> str:
    """Return which place decides between two verdicts, and how far off its limit it is."""
    worse = max(clean_one, other, key=lambda j: SEVERITY.index(j.verdict))
    places = []
    for finding in worse.findings:
        if worse.verdict is Verdict.WILL_NOT_CAST:
            if 0 < finding.width_mm < finding.least_mm and finding.kind is not Kind.SHARP_TIP:
                places.append((finding.least_mm - finding.width_mm, finding))
        else:
            runs_out = finding.width_mm == 0
            places.append(
                (finding.limit_mm - finding.width_mm if not runs_out else np.inf, finding)
            )
    # All of them must pass for the better verdict, so the one that is furthest off decides.
    short, finding = max(places, key=lambda place: place[0])
    text = f"{clean_one.verdict} -> {other.verdict}: {len(places)} x, {finding.kind}"
    if not np.isfinite(short):
        return f"{text} that runs out to a point, {finding.lost_mm / worse.pitch_mm:.2f} px lost"
    text += f" of {finding.width_mm:.3f} mm, {short / worse.pitch_mm:.2f} px off its limit"
    return text + (", within error" if short / worse.pitch_mm <= 2 * error_px else "")


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.degrade")
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--only", default="")
    parser.add_argument("--sheet", type=Path)
    options = parser.parse_args(arguments)
    side = PIXELS - 2 * MARGIN
    drawings = list(mixed(options.count, seed=options.seed))
    inks = [np.pad(alpha(d, side).astype(np.float64), MARGIN) for d in drawings]
    truths = [[ring + MARGIN for ring in true_outline(d, side).rings] for d in drawings]
    references = [judged(clean(ink, _rng(0))) for ink in inks]
    print(f"{'degradation':26}{'p95 median':>11}{'p95 p90':>9}{'refused':>9}{'agree':>7}  warnings")
    for name, (function, scale, degrees) in DEGRADATIONS.items():
        if options.only not in name:
            continue
        distances, refused, flips = [], Counter[str](), []
        warned: Counter[str] = Counter()
        for number, ink in enumerate(inks):
            data = function(ink, _rng(number))
            try:
                other = judged(data, scale)
            except TracerError as error:
                refused[error.code] += 1
                continue
            truth = turned_rings(truths[number], degrees, PIXELS) if degrees else truths[number]
            reference = references[number]
            distances.append(two_sided(other.rings, truth).percentile(95))
            warned.update(d.code for d in other.coverage.decisions if d.code)
            if other.verdict is not reference.verdict:
                reason = why(reference, other, distances[-1])
                flips.append(f"    {drawings[number].name}: {reason}")
            if options.sheet:
                _save(options.sheet, f"{name}-{drawings[number].name}", data, other.coverage)
        middle, high = np.quantile(distances, [0.5, 0.9]) if distances else (np.nan, np.nan)
        share = 1 - (len(flips) + refused.total()) / len(inks)
        notes = ", ".join(f"{k} {v}" for k, v in sorted((warned + refused).items()))
        print(f"{name:26}{middle:11.3f}{high:9.3f}{refused.total():9d}{share:7.0%}  {notes}")
        print("\n".join(flips), end="\n" if flips else "", flush=True)


def _rng(number: int) -> np.random.Generator:
    return np.random.default_rng(number)


def _save(folder: Path, name: str, data: bytes, coverage: Coverage) -> None:
    """Write the artwork and the coverage beside each other."""
    folder.mkdir(parents=True, exist_ok=True)
    with Image.open(io.BytesIO(data)) as image:
        left = image.convert("RGBA")
    right = Image.fromarray(np.rint(255 * (1 - coverage.values)).astype(np.uint8))
    sheet = Image.new("RGB", (2 * left.width, left.height), "white")
    sheet.paste(left, (0, 0), left)
    sheet.paste(right, (left.width, 0))
    sheet.save(folder / f"{name.replace(' ', '-')}.png")


if __name__ == "__main__":
    main(sys.argv[1:])
