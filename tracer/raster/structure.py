"""The build of an image file, walked without decoding a pixel.

Each walker goes from part to part as the format's standard lays them out, and finds the size, the
number of pages, where the image ends, and whether it was cut off. So a header bomb is refused
before a decoder allocates anything, and "cut off" can be told from "damaged".
"""

import dataclasses
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tracer.bounds import PAGES
from tracer.errors import InputError
from tracer.raster.refusal import damaged, truncated
from tracer.raster.tiff import walk_tiff

_MOST_PARTS = 1_000_000


@dataclass(frozen=True, slots=True)
class Layout:
    """What a walk through a file found.

    `width` and `height` are the largest that any page would need, 0 where only the decoder knows.
    `tail` is to be put behind ``data[:end]`` for the decoder where the file's own end is missing.
    """

    width: int
    height: int
    pages: int
    end: int
    tail: bytes | None = None


def layout(data: bytes, file_format: str) -> Layout:
    """Walk a file.

    Raises
    ------
    InputError
        E_TRUNCATED, E_DAMAGED, or E_UNSUPPORTED for a kind of the format that is not read.
    """
    return _WALKERS[file_format](data)


def _checked_size(width: int, height: int) -> None:
    if not (0 < width <= 0x7FFFFFFF and 0 < height <= 0x7FFFFFFF):
        raise damaged(f"size {width} × {height} is not valid")


# PNG: W3C PNG Specification, Third Edition, parts 5 and 11.

_PNG_DEPTHS = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
_PNG_END = b"\0\0\0\0IEND\xaeB\x60\x82"


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Yield type, start and length of each chunk's content; the last may be cut off."""
    position = 8
    for _ in range(_MOST_PARTS):
        if position + 8 > len(data):
            return
        length = int.from_bytes(data[position : position + 4], "big")
        yield data[position + 4 : position + 8], position + 8, length
        position += 12 + length
    raise damaged("holds more parts than an image can need")


def _walk_png(data: bytes) -> Layout:
    view = memoryview(data)
    width = height = 0
    pages, pixels_end = 1, 0
    for kind, start, length in _png_chunks(data):
        end = start + length
        if kind == b"CgBI":
            raise InputError(
                "is a CgBI PNG, made for one kind of telephone",
                hint="export a plain PNG",
                code="E_UNSUPPORTED",
            )
        if end + 4 > len(data):
            return _png_cut(view, (kind, start, end), Layout(width, height, pages, pixels_end))
        if zlib.crc32(view[start - 4 : end]) != int.from_bytes(data[end : end + 4], "big"):
            raise damaged(f"damaged: the checksum of its {_shown(kind)} part is wrong")
        if not width:
            width, height = _png_header(kind, data[start:end])
        elif kind == b"acTL":
            pages = max(1, int.from_bytes(data[start : start + 4], "big"))
        elif kind == b"IDAT":
            pixels_end = end + 4
        elif kind == b"IEND":
            if not pixels_end:
                raise damaged("damaged: holds no pixels")
            return Layout(width, height, pages, end + 4)
    return _png_cut(view, (b"", 0, 0), Layout(width, height, pages, pixels_end))


def _png_cut(view: memoryview, part: tuple[bytes, int, int], so_far: Layout) -> Layout:
    """Return the layout of a file cut off inside a part, if the pixels may be complete."""
    kind, start, end = part
    if kind == b"IDAT":
        if end > len(view):
            raise truncated("in the middle of the pixels")
        checksum = zlib.crc32(view[start - 4 : end]).to_bytes(4, "big")
        swallowed = view[start:end].tobytes().endswith(_PNG_END)  # its length is wrong
        if swallowed or not checksum.startswith(view[end:].tobytes()):
            raise damaged("damaged: the checksum of its IDAT part is wrong")
        return dataclasses.replace(so_far, end=end, tail=checksum + _PNG_END)
    if so_far.end:
        return dataclasses.replace(so_far, tail=_PNG_END)
    raise truncated("before the pixels" if so_far.width else "in the header")


def _png_header(kind: bytes, content: bytes) -> tuple[int, int]:
    if kind != b"IHDR" or len(content) != 13:
        raise damaged("damaged: does not begin with a PNG header")
    width, height = int.from_bytes(content[:4], "big"), int.from_bytes(content[4:8], "big")
    _checked_size(width, height)
    depth, colour_type, compression, filtering, interlace = content[8:]
    if depth not in _PNG_DEPTHS.get(colour_type, ()):
        raise damaged(f"damaged: {depth} bit of colour type {colour_type} does not exist")
    if compression or filtering or interlace > 1:
        raise damaged("damaged: unknown way of packing")
    return width, height


def _shown(kind: bytes) -> str:
    return kind.decode("ascii", "replace") if kind.isalpha() else repr(kind)[2:-1]


# JPEG: ITU-T T.81, annex B.

_JPEG_NEXT = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_JPEG_KINDS = {0xC3: "lossless", 0xC5: "differential", 0xC6: "differential", 0xC7: "lossless"}


def _walk_jpeg(data: bytes) -> Layout:
    width = height = 0
    position = 2
    for _ in range(_MOST_PARTS):
        found = _JPEG_NEXT.search(data, position)
        if found is None:
            raise truncated("in the middle of the pixels" if width else "in the header")
        marker = data[found.start() + 1]
        position = found.end()
        if marker == 0xD9:
            if not width:
                raise damaged("damaged: holds no pixels")
            return Layout(width, height, 1, position)
        if marker in {0x01, 0xD8}:
            continue
        length = int.from_bytes(data[position : position + 2], "big")
        if position + length > len(data):
            raise truncated("in the middle of the pixels" if width else "in the header")
        if 0xC0 <= marker <= 0xCF and marker not in {0xC4, 0xC8, 0xCC}:
            height, width = _jpeg_frame(marker, data[position : position + length])
        position += max(length, 2)
    raise damaged("holds more parts than an image can need")


def _jpeg_frame(marker: int, content: bytes) -> tuple[int, int]:
    """Return height and width of a frame header."""
    if len(content) < 8:
        raise damaged("damaged: its frame header is too short")
    kind = "arithmetic-coded" if marker >= 0xC9 else _JPEG_KINDS.get(marker, "")
    if not kind and content[2] != 8:
        kind = f"{content[2]}-bit"
    if kind:
        raise InputError(
            f"is a {kind} JPEG, a kind that is not supported",
            hint="export a PNG or a plain JPEG",
            code="E_UNSUPPORTED",
        )
    height, width = int.from_bytes(content[3:5], "big"), int.from_bytes(content[5:7], "big")
    _checked_size(width, height)
    return height, width


# GIF: GIF89a Specification, 1990, parts 18 to 27.


_GIF_END, _GIF_PICTURE, _GIF_EXTENSION = 0x3B, 0x2C, 0x21


def _walk_gif(data: bytes) -> Layout:
    if len(data) < 13:
        raise truncated("in the header")
    width, height = int.from_bytes(data[6:8], "little"), int.from_bytes(data[8:10], "little")
    position: int | None = 13 + _gif_table(data[10])
    frames = frames_end = 0
    while position is not None and position < len(data) and frames <= PAGES.value:
        block = data[position]
        if block == _GIF_END:
            break
        if block == _GIF_PICTURE:
            right, bottom, position = _gif_picture(data, position + 1)
            if position is not None:
                width, height = max(width, right), max(height, bottom)
                frames, frames_end = frames + 1, position
        elif block == _GIF_EXTENSION:
            position = _gif_blocks(data, position + 2)
        else:
            position += 1  # a stray byte between blocks; decoders step over it
    if not frames:
        raise truncated("before the first picture was whole")
    _checked_size(width, height)
    if position is not None and data[position : position + 1] == b";":
        return Layout(width, height, frames, position + 1)
    return Layout(width, height, frames, frames_end, b";")


def _gif_picture(data: bytes, position: int) -> tuple[int, int, int | None]:
    """Return the right and bottom edge of a picture and where it ends, None if it is cut off."""
    box = data[position : position + 9]
    if len(box) < 9:
        return 0, 0, None
    left, top, across, down = (int.from_bytes(box[at : at + 2], "little") for at in (0, 2, 4, 6))
    end = _gif_blocks(data, position + 10 + _gif_table(box[8]))
    return left + across, top + down, end


def _gif_table(flags: int) -> int:
    return 3 << ((flags & 7) + 1) if flags & 0x80 else 0


def _gif_blocks(data: bytes, position: int) -> int | None:
    """Return where a list of sub-blocks ends, None if it is cut off."""
    while position < len(data):
        size = data[position]
        position += 1 + size
        if size == 0:
            return position
    return None


# WebP: RFC 9649, part 2.


def _walk_webp(data: bytes) -> Layout:
    end = 8 + int.from_bytes(data[4:8], "little")
    width = height = 0
    frames, position = 0, 12
    if end > len(data):
        raise truncated("in the middle of the pixels" if len(data) > 30 else "in the header")
    while position + 8 <= end and frames <= PAGES.value:
        kind = data[position : position + 4]
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        content = data[position + 8 : position + 18]
        if len(content) == 10 and not width:
            width, height = _webp_size(kind, content)
        frames += kind == b"ANMF"
        position += 8 + length + (length & 1)
    if not width:
        raise damaged("damaged: holds no pixels")
    _checked_size(width, height)
    return Layout(width, height, max(frames, 1), end)


def _webp_size(kind: bytes, content: bytes) -> tuple[int, int]:
    if kind == b"VP8X":
        across, down = content[4:7], content[7:10]
        return 1 + int.from_bytes(across, "little"), 1 + int.from_bytes(down, "little")
    if kind == b"VP8L":
        bits = int.from_bytes(content[1:5], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if kind == b"VP8 ":
        across, down = content[6:8], content[8:10]
        mask = 0x3FFF
        return int.from_bytes(across, "little") & mask, int.from_bytes(down, "little") & mask
    return 0, 0


# BMP: Windows BITMAPFILEHEADER and BITMAPINFOHEADER.


def _walk_bmp(data: bytes) -> Layout:
    if len(data) < 26:
        raise truncated("in the header")
    old = int.from_bytes(data[14:18], "little") == 12
    if old:
        width, height = (int.from_bytes(data[at : at + 2], "little") for at in (18, 20))
        bits, packed = int.from_bytes(data[24:26], "little"), 0
    else:
        if len(data) < 54:
            raise truncated("in the header")
        width = int.from_bytes(data[18:22], "little", signed=True)
        height = abs(int.from_bytes(data[22:26], "little", signed=True))
        bits = int.from_bytes(data[28:30], "little")
        packed = int.from_bytes(data[30:34], "little")
    _checked_size(width, height)
    start = int.from_bytes(data[10:14], "little")
    stated = int.from_bytes(data[2:6], "little")
    if packed in {0, 3, 6}:
        needed = start + (width * bits + 31) // 32 * 4 * height
        if needed > len(data):
            raise truncated("in the middle of the pixels")
        return Layout(width, height, 1, max(stated, needed) if stated < len(data) else len(data))
    if stated > len(data):
        raise truncated("in the middle of the pixels")
    return Layout(width, height, 1, stated if stated > start else len(data))


def _walk_tiff(data: bytes) -> Layout:
    width, height, pages = walk_tiff(data)
    return Layout(width, height, pages, len(data))


_WALKERS: dict[str, Callable[[bytes], Layout]] = {
    "PNG": _walk_png,
    "JPEG": _walk_jpeg,
    "GIF": _walk_gif,
    "WEBP": _walk_webp,
    "BMP": _walk_bmp,
    "TIFF": _walk_tiff,
}
