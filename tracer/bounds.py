"""Resource limits: every one in this place, each with the option that changes it.

Client files are untrusted. A limit is checked before the resource is spent: the size of a file
before it is read, the pixels from the header before anything is decoded, the components before
anything is traced.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bound:
    """A resource limit.

    Parameters
    ----------
    name
        What is limited, one word.
    value
        The default, in `unit`.
    unit
        What is counted.
    option
        The option that changes it; empty: none does, see `why`.
    why
        One sentence for people.
    """

    name: str
    value: int
    unit: str
    option: str
    why: str


FILE_BYTES = Bound(
    "file",
    712_000_000,
    "bytes",
    "--max-pixels",
    "size of an artwork's file, checked before it is read; grows with --max-pixels",
)
PIXELS = Bound(
    "pixels",
    89_000_000,
    "pixels",
    "--max-pixels",
    "width times height, read from the header before anything is decoded",
)
SIDE = Bound(
    "side",
    30_000,
    "pixels",
    "--max-pixels",
    "longest side; grows with --max-pixels as the side of a square sheet would",
)
FRAMES = Bound("frames", 1, "pages", "--page", "one page or frame of a file is read, the first")
PAGES = Bound(
    "pages",
    10_000,
    "pages",
    "",
    "pages counted in one file: more are taken for an endless list",
)
COMPONENTS = Bound(
    "components",
    20_000,
    "pieces",
    "--max-pieces",
    "separate pieces of ink, counted before anything is traced; line art has far fewer",
)
POINTS = Bound("points", 200_000, "points", "--tolerance", "nodes of the finished outline")
LEVELS = Bound("levels", 6, "levels", "--levels", "levels of a design in several colours")
TIME = Bound(
    "time", 120, "seconds", "--timeout", "for one artwork of a batch; then its worker is ended"
)
MEMORY = Bound(
    "memory",
    8 << 30,
    "bytes",
    "--jobs",
    "for a worker of a batch: its share of the machine, at most this; fewer get larger shares",
)

ALL = (FILE_BYTES, PIXELS, SIDE, FRAMES, PAGES, COMPONENTS, POINTS, LEVELS, TIME, MEMORY)
"""Every resource limit, in the order of the work."""


def largest_file(max_pixels: int) -> int:
    """Return the bytes of the largest file that goes with a limit of pixels: eight a pixel.

    >>> largest_file(89_000_000), largest_file(100_000_000), largest_file(1000)
    (712000000, 800000000, 712000000)
    """
    return max(FILE_BYTES.value, 8 * max_pixels)


def longest_side(max_pixels: int) -> int:
    """Return the longest side in pixels that goes with a limit of pixels.

    >>> longest_side(89_000_000), longest_side(4 * 89_000_000), longest_side(1000)
    (30000, 60000, 30000)
    """
    return max(SIDE.value, int(SIDE.value * (max_pixels / PIXELS.value) ** 0.5))
