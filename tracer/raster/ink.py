"""`Artwork` to `Coverage`: what of it is ink."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from tracer.bounds import LEVELS
from tracer.errors import InputError
from tracer.model import Artwork, Coverage, Decision
from tracer.raster.bitmap import enlarged, shrunk, true_pixel
from tracer.raster.colours import as_rgb, asked_colours, ink_of_colours, nested_levels
from tracer.raster.header import MADE_WITH_LIGHT
from tracer.raster.lookout import about_ink, check_picture, check_screen, dropped_specks
from tracer.raster.paper import Inked, calmed, stretched
from tracer.raster.pixels import Samples
from tracer.raster.scalar import (
    FloatImage,
    away_from,
    grey_of,
    ground_colour,
    is_coloured,
    strips,
)
from tracer.raster.shaded import shaded
from tracer.raster.shadow import without_shadow
from tracer.raster.sheet import split_designs, straightened, without_frame
from tracer.settings import InkOptions

_LOSSY = ("JPEG", "WEBP")
_FEWEST_CLEAR = 1e-3
_WHITE_INSIDE = 0.15
_DARK_INSIDE = 0.05


def find_ink(artwork: Artwork, options: InkOptions) -> tuple[Coverage, ...]:
    """Return the coverage of each level, or design, one unless the options ask for more.

    Alpha that says anything is coverage as it is (W3C PNG, Third Edition: straight and linear);
    colour is then not looked at, least of all under alpha 0. Else ink is what differs from the
    ground: in brightness, or in colour where the picture has any. Colours asked for, and levels,
    are unmixed at the edges. The array keeps the size of the artwork, whatever is done.

    Every decision is told with the option that overrules it.

    Parameters
    ----------
    artwork
        Upright, decoded.
    options
        `ink`, `threshold`, `levels`, `straighten` and `split` are used.

    Returns
    -------
    tuple of Coverage
        Values in [0, 1], the edge at 0.5 (a `threshold` of another level is brought there),
        read-only. Levels are nested, the widest first, and never cross.

    Raises
    ------
    InputError
        E_BLANK, E_TOOSMALL, E_LOWCONTRAST, E_NOTART, E_TOOCOMPLEX.
    UsageError
        An `ink` that is no colour, too many levels.
    """
    try:
        return _found(artwork, options)
    except InputError as error:
        if error.code == "E_BLANK" and any(d.code == "W_FRAMES" for d in artwork.decisions):
            error.hint = "the file holds several pages: pass --page N for another"
        raise


def _found(artwork: Artwork, options: InkOptions) -> tuple[Coverage, ...]:
    alpha, said = _meaningful_alpha(artwork, insisted=options.ink == "alpha")
    if options.levels:
        rgb = as_rgb(artwork.colour)
        levels = nested_levels(rgb, alpha, min(options.levels, LEVELS.value + 1))
        found = []
        for number, (name, values) in enumerate(levels, start=1):
            text = f"level {number} of {len(levels)}: {name} and what lies on it"
            decisions = (*said, Decision("level", text, "--levels"))
            inked = Inked(values, decisions, noisy=False, by_colour=True)
            found.append(_finished(artwork, inked, options, level=number))
    else:
        found = [_finished(artwork, _one_ink(artwork, alpha, said, options), options, level=0)]
    if not options.split:
        return tuple(found)
    return tuple(part for coverage in found for part in split_designs(coverage))


def _meaningful_alpha(
    artwork: Artwork, *, insisted: bool
) -> tuple[FloatImage | None, tuple[Decision, ...]]:
    """Return the alpha as coverage, None where it says nothing; next to nothing if `insisted`."""
    if artwork.alpha is None:
        return None, ()
    full = int(np.iinfo(artwork.alpha.dtype).max)
    low, high = int(artwork.alpha.min()), int(artwork.alpha.max())
    if high == 0:
        raise InputError(
            "nothing to trace: fully transparent", hint="is a layer switched off?", code="E_BLANK"
        )
    if low == full:
        text = "transparency is stored, but nothing is transparent: taken by brightness"
        return None, (Decision("alpha", text, "--ink"),)
    if low == high:
        shown = f"{high / full:.1%}"
        if high < full / 2:
            raise InputError(
                f"nothing to trace: all of it is {shown} opaque",
                hint="is a layer switched off?", code="E_BLANK",
            )  # fmt: skip
        text = f"all of it is {shown} opaque, a slip of the export: taken by brightness"
        return None, (Decision("alpha", text, "--ink", warning=True, code="W_ALPHA"),)
    clear = np.count_nonzero(artwork.alpha <= full // 2)
    if clear < _FEWEST_CLEAR * artwork.alpha.size and not insisted:
        text = "next to nothing is transparent, a slip of the export: taken by brightness"
        return None, (Decision("alpha", text, "--ink alpha", warning=True, code="W_ALPHA"),)
    values = np.empty((artwork.rows, artwork.columns), np.float32)
    scale = np.float32(1 / full)
    said: tuple[Decision, ...] = ()
    if high < 0.95 * full:
        text = f"the most opaque part is {high / full:.0%} opaque: that was taken as full"
        said = (Decision("alpha", text, "--threshold", warning=True, code="W_ALPHA"),)
        scale = np.float32(1 / high)
    for here in strips(artwork.rows, artwork.columns):
        np.multiply(artwork.alpha[here], scale, out=values[here])
    return values, said


def _by_tone(
    artwork: Artwork,
    alpha: FloatImage | None,
    said: tuple[Decision, ...],
    dark: bool | None,  # noqa: FBT001 - None, True and False are three answers
    options: InkOptions,
) -> Inked:
    """Return what is darker, or lighter, or of another colour than the ground.

    A picture that is refused is looked at once more: a screen of dots has a better message.
    """
    try:
        inked = _toned(artwork, alpha, said, dark, options)
        if dark is None and alpha is None:
            inked = shaded(artwork.colour, inked) or inked
            check_picture(inked)
    except InputError:
        grey = grey_of(artwork.colour)
        middle = (int(grey.levels.min()) + int(grey.levels.max())) // 2
        check_screen(grey.levels <= middle, options.max_pieces)
        raise
    check_screen(inked.values >= 0.5, options.max_pieces)
    return inked if "noise" in options.as_is else calmed(inked)


def _one_ink(
    artwork: Artwork, alpha: FloatImage | None, said: tuple[Decision, ...], options: InkOptions
) -> Inked:
    """Return the coverage of all ink together."""
    ink, most = options.ink.strip().lower(), options.max_pieces
    if ink == "alpha" and alpha is None:
        raise InputError(
            "has no transparency to take as ink", hint="pass --ink auto", code="E_BLANK"
        )
    if alpha is not None and ink in {"auto", "alpha"}:
        text = "ink is what is not transparent"
        decisions = (*said, Decision("ink", text, "--ink dark"), *_white_inside(artwork, alpha))
        check_screen(alpha >= 0.5, most)
        values, notes = (alpha, ()) if "shadow" in options.as_is else without_shadow(alpha)
        return Inked(values, (*decisions, *notes), noisy=False)
    if ink in {"auto", "dark", "light"}:
        dark = None if ink == "auto" else ink == "dark"
        return _by_tone(artwork, alpha, said, dark, options)
    values, names = ink_of_colours(as_rgb(artwork.colour), alpha, asked_colours(ink))
    check_screen(values >= 0.5, most)
    text = f"ink is {' and '.join(names)}, as asked"
    noisy = artwork.file_format in _LOSSY
    return Inked(values, (*said, Decision("ink", text, "--ink")), noisy=noisy, by_colour=True)


def _toned(
    artwork: Artwork,
    alpha: FloatImage | None,
    said: tuple[Decision, ...],
    dark: bool | None,  # noqa: FBT001 - None, True and False are three answers
    options: InkOptions,
) -> Inked:
    """Return what is darker, or lighter, or of another colour than the ground."""
    colour, even = artwork.colour, "light" in options.as_is
    in_light = any(d.topic == MADE_WITH_LIGHT for d in artwork.decisions)
    if alpha is not None:
        tone = grey_of(_over_ground(colour, alpha, dark=dark is not False))
        inked = stretched(tone, dark=dark, even=even)
        return Inked(inked.values, (*said, *inked.decisions), noisy=False)
    if dark is None and not in_light and is_coloured(colour):
        rgb = as_rgb(colour)
        ground = ground_colour(rgb)
        tone, several, ruled = away_from(rgb, ground)
        inked = dataclasses.replace(stretched(tone, dark=True, even=even), by_colour=True)
        many = "several colours" if several else "one colour"
        text = f"ink is what differs in colour from the ground ({many})"
        notes = tuple(_in_colour(d, ground) for d in inked.decisions if d.topic != "polarity")
        decisions = (*said, Decision("ink", text, "--ink COLOUR"), *notes)
        if ruled:
            text = "pale lines from border to border (squared or ruled paper) were left out"
            lines = Decision("rulings", text, "--ink COLOUR", warning=True, code="W_RULED")
            decisions = (*decisions, lines)
    else:
        inked = stretched(grey_of(colour), dark=dark, in_light=in_light, even=even)
        decisions = (*said, *inked.decisions)
    noisy = inked.noisy or artwork.file_format in _LOSSY
    return dataclasses.replace(inked, decisions=decisions, noisy=noisy)


def _in_colour(said: Decision, ground: NDArray[np.float32]) -> Decision:
    """Return what was said of paper and ink, which were no greys, in terms of the colours."""
    if said.topic != "threshold":
        return said
    name = "#" + "".join(f"{round(float(part)):02x}" for part in ground)
    return dataclasses.replace(said, text=f"the ground is {name}; the edge half-way to the ink")


def _over_ground(colour: Samples, alpha: FloatImage, *, dark: bool) -> Samples:
    """Return the picture laid over a ground that is not ink."""
    white = float(np.iinfo(colour.dtype).max)
    ground = np.float32(white if dark else 0)
    out = np.empty_like(colour)
    for here in strips(*alpha.shape):
        part = alpha[here] if colour.ndim == 2 else alpha[here][..., None]
        out[here] = np.rint(colour[here] * part + ground * (1 - part))
    return out


def _white_inside(artwork: Artwork, alpha: FloatImage) -> tuple[Decision, ...]:
    """Warn where opaque white and opaque dark share the design."""
    step = max(1, int((alpha.size / 250_000) ** 0.5))
    opaque = alpha[::step, ::step] > 0.9
    grey = grey_of(artwork.colour[::step, ::step])
    inside = grey.levels[opaque] / grey.white
    if inside.size == 0:
        return ()
    if np.mean(inside > 0.9) < _WHITE_INSIDE or np.mean(inside < 0.5) < _DARK_INSIDE:
        return ()
    text = (
        "the design holds white as well as dark parts: both count as ink, only what is "
        "transparent does not"
    )
    return (Decision("ink", text, "--ink dark", warning=True, code="W_AMBIGUOUS"),)


def _finished(artwork: Artwork, inked: Inked, options: InkOptions, *, level: int) -> Coverage:
    """Return the coverage after everything that is the same for every kind of ink."""
    values, said = inked.values, list(inked.decisions)
    if "pixels" in options.as_is:
        pixel = 1.0
    elif inked.noisy:  # the packing blurs the steps, but not where they are
        pixel = true_pixel(np.greater_equal(values, 0.5).view(np.uint8))
    else:
        pixel = true_pixel(artwork.colour if artwork.alpha is None else artwork.alpha)
    shape, noisy = values.shape, inked.noisy and pixel == 1  # a true pixel is meant, not a speck
    if pixel > 1:
        values = shrunk(values, pixel)
        text = f"a small bitmap enlarged {pixel:.4g} times: its own pixels were used"
        said.append(Decision("pixels", text, "--as-is pixels", warning=True, code="W_ENLARGED"))
    values, notes = (values, ()) if "frame" in options.as_is else without_frame(values)
    said.extend(notes)
    drop = noisy and "specks" not in options.as_is
    values, specks, notes = dropped_specks(Inked(values, (), drop), options.max_pieces)
    said.extend(notes)
    if options.straighten:
        values, notes = straightened(values)
        said.extend(notes)
    if options.threshold is not None and options.threshold != 0.5:
        values = _edge_at(values, options.threshold)
        text = f"the edge is at {options.threshold:.0%}, as asked"
        said.append(Decision("threshold", text, "--threshold"))
    said.extend(about_ink(values, soft_possible=not inked.noisy and pixel == 1))
    if pixel > 1:
        values = enlarged(values, shape, pixel)
    values.setflags(write=False)
    return Coverage(
        values,
        tuple(said),
        level=level,
        specks=specks,
        pixel_size=float(pixel),
        by_colour=inked.by_colour,
    )


def _edge_at(values: FloatImage, level: float) -> FloatImage:
    """Return the values bent so that `level` comes to lie at 0.5, the ends kept."""
    bend = np.interp(np.linspace(0, 1, 65536), [0, level, 1], [0, 0.5, 1]).astype(np.float32)
    out = np.empty_like(values)
    for here in strips(*values.shape):
        np.take(bend, np.rint(values[here] * 65535).astype(np.uint16), out=out[here])
    return out
