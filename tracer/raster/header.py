"""What the header of an opened image says: density, orientation, colour profile."""

import io
import math
from collections.abc import Callable
from typing import Any

from PIL import Image

from tracer.model import Decision
from tracer.settings import InkOptions
from tracer.units import MM_PER_INCH

SANE_DPI = (20.0, 10_000.0)
"""From a banner printer to a plate setter; anything else is a slip. A judgement."""

MADE_WITH_LIGHT = "camera"
"""Topic of the decision that tells the search for ink about a camera."""

_SQUARE = 0.01
_MAKER, _MODEL, _EXIF_IFD, _EXPOSURE_TIME = 0x010F, 0x0110, 0x8769, 0x829A
_ORIENTATION, _X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 0x0112, 0x011A, 0x011B, 0x0128


def density(image: Image.Image) -> tuple[float | None, tuple[Decision, ...]]:
    """Return the stored pixels per mm where they make sense, and a warning where they do not.

    Looked for in pHYs (PNG), JFIF, the resolution tags of TIFF and the header of BMP, then in
    Exif. Sane: both numbers finite, equal within 1 %, 20 to 10,000 per inch.
    """
    stored: Any = image.info.get("dpi") or _exif_dpi(image)
    if stored is None:
        return None, ()
    try:
        across, down = (float(value) for value in stored)
    except (TypeError, ValueError, ZeroDivisionError):
        across = down = math.nan
    if not (math.isfinite(across) and math.isfinite(down)):
        return None, (_ignored("is no number"),)
    if across == down == 0 or (across, down) == (1, 1):
        return None, ()  # written by many programs for "not known"
    if not all(SANE_DPI[0] <= value <= SANE_DPI[1] for value in (across, down)):
        return None, (_ignored(f"of {across:.4g} × {down:.4g} dpi makes no sense"),)
    if abs(across - down) > _SQUARE * max(across, down):
        return None, (
            _ignored(f"says {across:.4g} × {down:.4g} dpi; the pixels are taken as square"),
        )
    return (across + down) / 2 / MM_PER_INCH, ()


def _ignored(why: str) -> Decision:
    return Decision(
        "density", f"the stored density {why}: not used", "--pitch", warning=True, code="W_DPI"
    )


def _exif_dpi(image: Image.Image) -> tuple[float, float] | None:
    exif = image.getexif()
    across, down = exif.get(_X_RESOLUTION), exif.get(_Y_RESOLUTION)
    if across is None or down is None:
        return None
    factor = 2.54 if exif.get(_RESOLUTION_UNIT) == 3 else 1.0
    try:
        return float(across) * factor, float(down) * factor
    except (TypeError, ValueError, ZeroDivisionError):
        return math.nan, math.nan


def camera(image: Image.Image, options: InkOptions) -> tuple[Decision, ...]:
    """Return the note that a camera or a scanner made the picture, if Exif names one.

    Nothing of what Exif says is taken along, only that it is there: maker, model, exposure time.
    """
    exif = image.getexif()
    exposure = exif.get_ifd(_EXIF_IFD).get(_EXPOSURE_TIME)
    named = exif.get(_MAKER) or exif.get(_MODEL) or exposure
    if not named or "camera" in options.as_is:
        return ()
    text = "a camera or a scanner made the picture: its edges were mixed in light"
    return (Decision(MADE_WITH_LIGHT, text, "--as-is camera"),)


def orientation(image: Image.Image, options: InkOptions) -> tuple[int, tuple[Decision, ...]]:
    """Return how the loaded image is to be turned, 1 to 8, and a warning for nonsense."""
    stored = image.getexif().get(_ORIENTATION, 1)
    if stored in range(1, 9):
        if stored == 1 or "turn" in options.as_is:
            return 1, ()
        text = "turned upright as the camera's note asks"
        return int(stored), (Decision("turn", text, "--as-is turn"),)
    text = "the camera's note on which way is up makes no sense: not used"
    return 1, (Decision("turn", text, warning=True, code="W_ORIENTATION"),)


def profile(
    image: Image.Image, options: InkOptions
) -> tuple[Callable[[Image.Image], Image.Image] | None, tuple[Decision, ...]]:
    """Return how to bring a strip to sRGB by the embedded profile, None: leave it as it is.

    The profile is used only where colours are compared (``--ink COLOUR``, ``--levels``). An
    anti-aliased edge is blended in the stored values, whatever the profile says of them: sending
    black on white through one would move the edge. Never fatal.
    """
    stored = image.info.get("icc_profile")
    if not stored or image.mode in {"1", "L", "LA", "I", "F"} or image.mode.startswith("I;"):
        return None, ()
    if "profile" in options.as_is:
        return None, ()
    compared = options.levels > 0 or options.ink not in {"auto", "alpha", "dark", "light"}
    if not compared:
        text = "the colour profile was left aside: edges are blended in the stored values"
        return None, (Decision("profile", text, "--ink COLOUR"),)
    from PIL import ImageCms

    source_mode = "CMYK" if image.mode == "CMYK" else "RGB"
    try:
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(stored)),
            ImageCms.createProfile("sRGB"),
            source_mode,
            "RGB",
        )
    except (ImageCms.PyCMSError, OSError, TypeError, ValueError):
        text = "the colour profile is damaged or of another kind, not used: ask for sRGB"
        return None, (Decision("profile", text, warning=True, code="W_ICC"),)

    def convert(strip: Image.Image) -> Image.Image:
        converted = ImageCms.applyTransform(strip.convert(source_mode), transform)
        assert converted is not None  # only None when asked to work in place
        return converted

    text = "colours were brought to sRGB by the embedded profile"
    return convert, (Decision("profile", text, "--as-is profile"),)
