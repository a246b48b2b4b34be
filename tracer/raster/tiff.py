"""The chain of pages of a TIFF, and whether the strips of each lie within the file.

TIFF Revision 6.0, 1992, part 2; BigTIFF has the same build with 8-byte offsets.
"""

from dataclasses import dataclass

from tracer.bounds import PAGES
from tracer.raster.refusal import damaged, truncated

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 6: 1, 7: 1, 8: 2, 9: 4, 13: 4, 16: 8, 17: 8, 18: 8}
_ALL_SIZES = {**_SIZES, 5: 8, 10: 8, 11: 4, 12: 8}
_WIDTH, _HEIGHT = 256, 257
_PARTS = ((273, 279), (324, 325))  # offsets and byte counts of strips, of tiles
_MOST_STRIPS = 4_000_000


@dataclass(frozen=True, slots=True)
class _File:
    """The bytes with the order and the width of their numbers."""

    data: bytes
    order: str
    big: bool

    def number(self, at: int, size: int) -> int:
        """Return an unsigned number."""
        if at + size > len(self.data):
            raise truncated("in the header")
        text = self.data[at : at + size]
        return int.from_bytes(text, "little" if self.order == "<" else "big")

    def check_inside(self, entry: int) -> None:
        """Refuse an entry whose values lie beyond the end of the file."""
        width = 8 if self.big else 4
        length = _ALL_SIZES.get(self.number(entry + 2, 2), 0) * self.number(entry + 4, width)
        if length > width and self.number(entry + 4 + width, width) + length > len(self.data):
            raise truncated("in the header")

    def values(self, entry: int, most: int) -> list[int]:
        """Return the numbers of a directory entry, `most` at the most."""
        size = _SIZES.get(self.number(entry + 2, 2), 0)
        width = 8 if self.big else 4
        count = min(self.number(entry + 4, width), most)
        at = entry + 4 + width
        if size * count > width:
            at = self.number(at, width)
        if size and at + size * count > len(self.data):
            raise truncated("in the header")
        return [self.number(at + size * i, size) for i in range(count)] if size else []


def walk_tiff(data: bytes) -> tuple[int, int, int]:
    """Return width and height of the first page and the number of pages.

    Raises
    ------
    InputError
        E_TRUNCATED: a directory or a strip lies beyond the end of the file. E_DAMAGED: the pages
        form a loop, or are more than a file can hold in earnest.
    """
    order = "<" if data[:2] == b"II" else ">"
    big = data[2:4] in {b"+\0", b"\0+"}
    file = _File(data, order, big)
    at = file.number(8, 8) if big else file.number(4, 4)
    width = height = 0
    seen: set[int] = set()
    while at:
        if at in seen or len(seen) >= PAGES.value:
            raise damaged("damaged: its list of pages never ends")
        seen.add(at)
        entries = _entries(file, at)
        _check_strips(file, entries)
        if len(seen) == 1:
            width, height = (
                (file.values(entries[tag], 1) or [0])[0] if tag in entries else 0
                for tag in (_WIDTH, _HEIGHT)
            )
        count_size, entry_size, offset_size = (8, 20, 8) if big else (2, 12, 4)
        at = file.number(at + count_size + entry_size * _count(file, at), offset_size)
    if not (width and height):
        raise damaged(f"size {width} × {height} is not valid")
    return width, height, len(seen)


def _count(file: _File, at: int) -> int:
    return file.number(at, 8 if file.big else 2)


def _entries(file: _File, at: int) -> dict[int, int]:
    """Return where the entry of each tag of a directory starts."""
    start, size = (at + 8, 20) if file.big else (at + 2, 12)
    count = _count(file, at)
    if start + size * count > len(file.data):
        raise truncated("in the header")
    for i in range(count):
        file.check_inside(start + size * i)
    return {file.number(start + size * i, 2): start + size * i for i in range(count)}


def _check_strips(file: _File, entries: dict[int, int]) -> None:
    """Refuse pixels that lie beyond the end of the file."""
    for starts_tag, lengths_tag in _PARTS:
        if starts_tag not in entries or lengths_tag not in entries:
            continue
        starts = file.values(entries[starts_tag], _MOST_STRIPS)
        lengths = file.values(entries[lengths_tag], _MOST_STRIPS)
        if any(s + n > len(file.data) for s, n in zip(starts, lengths, strict=False)):
            raise truncated("in the middle of the pixels")
