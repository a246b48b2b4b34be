"""The files of the catalogue: made anew, each with what has to come of it."""

import io
import struct
import zlib
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import tifffile
from PIL import Image, ImageFilter

from tests.raster.encode import anchor, chunk, encoded, on_white, png, ten_encodings

INK = anchor()
GREY = on_white(INK)
RGB = GREY.convert("RGB")
PNG = encoded(GREY, "PNG")


@dataclass(frozen=True)
class Case:
    """A file of a row.

    `code` is that of the refusal (E_...), or of the warning (W_...), or empty; `whole` tells
    that the outline is that of the anchor, whatever it was packed in.
    """

    row: int
    name: str
    data: bytes
    code: str = ""
    whole: bool = False


@cache
def cases() -> tuple[Case, ...]:
    """Return every file of the catalogue."""
    return (*_cut(), *_foreign(), *_damaged(), *_oversized(), *_packed(), *_content())


def _cut() -> list[Case]:
    kinds = ten_encodings()
    ends = {"png": "png", "jpeg": "jpg", "tiff-lzw": "tif", "bmp": "bmp", "gif": "gif",
            "webp": "webp"}  # fmt: skip
    signature = {"png": 8, "jpeg": 3, "tiff-lzw": 4, "bmp": 2, "gif": 6, "webp": 12}
    inside = {"png": 20, "jpeg": kinds["jpeg"].index(b"\xff\xc0") + 5, "tiff-lzw": 9, "bmp": 20,
              "gif": 9, "webp": 24}  # fmt: skip
    found = [
        Case(1, "empty.png", b"", "E_EMPTY"),
        Case(2, "offline.png", bytes(5000), "E_EMPTY"),
        Case(3, "one.png", b"\x89", "E_FORMAT"),
        Case(3, "seven.png", b"hello!!", "E_FORMAT"),
    ]
    for kind, end in ends.items():
        found += [
            Case(4, f"signature.{end}", kinds[kind][: signature[kind]], "E_TRUNCATED"),
            Case(5, f"header.{end}", kinds[kind][: inside[kind]], "E_TRUNCATED"),
        ]
    for kind, data in kinds.items():
        end = ends.get(kind, "tif" if kind.startswith("tiff") else "jpg")
        for share in (2, 25, 50, 95):
            cut = data[: max(12, len(data) * share // 100)]
            found.append(Case(6, f"cut-{kind}-{share}.{end}", cut, "E_TRUNCATED"))
    for kind in ("packbits", "group3", "zstd", "jpeg", "lzma"):
        data = encoded(GREY.convert("1") if kind == "group3" else RGB, "TIFF", compression=kind)
        found.append(Case(6, f"cut-tiff-{kind}.tif", data[: len(data) // 2], "E_TRUNCATED"))
    for name, options in (("tiled", {}), ("tiled-deflate", {"compression": "zlib"})):
        data = tiff(np.asarray(RGB), tile=(32, 32), **options)
        found.append(Case(6, f"cut-{name}.tif", data[: len(data) // 2], "E_TRUNCATED"))
    found.append(Case(7, "list-at-end.tif", list_at_end(), whole=True))
    found.append(Case(7, "list-at-end-cut.tif", list_at_end()[:-40], "E_TRUNCATED"))
    found.append(Case(8, "no-end.png", PNG[:-12], "W_TRAILING", whole=True))
    found.append(Case(9, "motion.png", PNG + b"PK\x03\x04" + bytes(99), "W_TRAILING", whole=True))
    return found


def _damaged() -> list[Case]:
    at = PNG.index(b"IDAT")
    size = int.from_bytes(PNG[at - 4 : at], "big")
    stream = bytearray(PNG[at + 4 : at + 4 + size])
    stream[-1] ^= 1  # Adler-32, under a checksum that is right
    adler = PNG[: at - 4] + chunk(b"IDAT", bytes(stream)) + PNG[at + 8 + size :]
    palette = encoded(GREY.convert("P"), "PNG")
    where = palette.index(b"PLTE") + 4 + int.from_bytes(palette[palette.index(b"PLTE") - 4 :][:4])
    return [
        Case(10, "idat-checksum.png", flipped(PNG, at + 4 + size), "E_DAMAGED"),
        Case(10, "adler.png", adler, "E_DAMAGED"),
        Case(10, "plte-checksum.png", flipped(palette, where), "E_DAMAGED"),
        Case(32, "no-width.png", png(0, 10, 8, 2, b""), "E_DAMAGED"),
        Case(32, "beyond.png", png(0x80000001, 10, 8, 2, b""), "E_DAMAGED"),
        Case(32, "minus.bmp", patched(encoded(RGB, "BMP"), 18, struct.pack("<i", -121)),
             "E_DAMAGED"),
        Case(43, "beyond-palette.png",
             png(2, 1, 8, 3, b"\0\x00\x04", chunk(b"PLTE", bytes(12))), "E_DAMAGED"),
        Case(52, "loop.tif", looped(), "E_DAMAGED"),
        Case(52, "many-pages.tif", pages(30_000), "E_DAMAGED"),
    ]  # fmt: skip


def _foreign() -> list[Case]:
    jpeg, zip_ = ten_encodings()["jpeg"], b"PK\x03\x04" + bytes(60)
    at = jpeg.index(b"\xff\xc0")
    kinds = {"arithmetic": (0xC9, 8), "lossless": (0xC3, 8), "twelve": (0xC1, 12)}
    hidden = {  # row 14: read by Pillow, not by us; EPS would start Ghostscript
        "sketch.eps": b"%!PS-Adobe-3.0 EPSF-3.0\n", "layers.psd": b"8BPS\0\1" + bytes(60),
        "icon.ico": b"\0\0\1\0\1\0\x10\x10" + bytes(60), "old.pcx": b"\x0a\5\1\x08" + bytes(124),
        "old.tga": b"\0\0\2\0" + bytes(60), "brief.pdf": b"%PDF-1.7\n",
        "curves.svg": b'<svg xmlns="http://www.w3.org/2000/svg"/>',
        "phone.heic": b"\0\0\0\x18ftypheic" + bytes(60),
        "web.avif": b"\0\0\0\x18ftypavif" + bytes(60),
        "camera.cr3": b"\0\0\0\x18ftypcrx " + bytes(60),
    }  # fmt: skip
    return [
        Case(12, "is-a-jpeg.png", jpeg, "W_EXTENSION", whole=True),
        Case(13, "is-a-page.png", b"<!DOCTYPE html><html>404</html>", "E_FORMAT"),
        Case(13, "is-a-zip.png", zip_, "E_FORMAT"),
        Case(13, "is-a-pdf.png", b"%PDF-1.7\n", "E_FORMAT"),
        *(Case(14, name, data, "E_UNSUPPORTED") for name, data in hidden.items()),
        Case(15, "UPPER.PNG", PNG, whole=True),
        Case(15, "three.jpe", jpeg, whole=True),
        Case(15, "four.tiff", ten_encodings()["tiff-raw"], whole=True),
        Case(15, "no-extension", PNG, whole=True),
        *(
            Case(54, f"{name}.jpg", patched(jpeg, at + 1, bytes([marker]), at + 4, bytes([depth])),
                 "E_UNSUPPORTED")
            for name, (marker, depth) in kinds.items()
        ),
        Case(55, "iphone.png", b"\x89PNG\r\n\x1a\n" + chunk(b"CgBI", b"\x50\0\x20\x06")
             + png(1, 1, 8, 2, b"")[8:], "E_UNSUPPORTED"),
    ]  # fmt: skip


def _oversized() -> list[Case]:
    text = zlib.compress(bytes(80_000_000), 9)
    exif = Image.Exif()
    exif[0x010E] = "x" * 60_000
    return [
        Case(34, "bomb.png", png(60_000, 60_000, 8, 2, b""), "E_TOOMANYPIXELS"),
        Case(35, "real-bomb.png", png(13_000, 13_000, 8, 2, bytes(13_000 * 39_001)),
             "E_TOOMANYPIXELS"),
        Case(36, "between.png", png(10_000, 9_000, 8, 2, b""), "E_TOOMANYPIXELS"),
        Case(38, "text-bomb.png", png(1, 1, 8, 0, b"\0\0", chunk(b"zTXt", b"C\0\0" + text)),
             "E_DAMAGED"),
        Case(38, "large-exif.jpg", encoded(RGB, "JPEG", exif=exif), whole=True),
    ]  # fmt: skip


def _packed() -> list[Case]:
    """Whole files in every package: the outline is always that of the anchor."""
    deep = Image.fromarray(np.asarray(GREY).astype(np.uint16) * 257)
    floating = Image.fromarray(np.asarray(GREY).astype(np.float32) / 1000 + 3)
    broken = np.asarray(floating).copy()
    broken[3, 3] = np.nan
    exif = Image.Exif()
    exif[0x0112] = 9
    gif = ten_encodings()["gif"]
    other = Image.fromarray(INK)
    two = encoded(GREY, "TIFF", save_all=True, append_images=[other])
    moving = encoded(GREY, "PNG", save_all=True, append_images=[other])
    blank = Image.new("L", GREY.size, 255)
    rgb = np.asarray(RGB)
    plane = np.moveaxis(rgb, 2, 0)
    premultiplied = np.dstack([np.zeros_like(INK)] * 3 + [INK])
    tag = ten_encodings()["tiff-raw"]
    lerc = patched(tag, tag.index(struct.pack("<HHI", 259, 3, 1)) + 8, struct.pack("<H", 34887))
    return [
        Case(37, "frame-beyond.gif", patched(gif, 6, struct.pack("<HH", 50, 40)), whole=True),
        Case(37, "frame-outside.png", frame_outside(moving), "W_FRAMES", whole=True),
        Case(39, "sixteen.png", encoded(deep, "PNG"), whole=True),
        Case(39, "sixteen.tif", tiff(np.asarray(deep), byteorder=">"), whole=True),
        Case(41, "floating.tif", encoded(floating, "TIFF"), "W_SCALED", whole=True),
        Case(41, "not-a-number.tif", encoded(Image.fromarray(broken), "TIFF"), "E_UNSUPPORTED"),
        Case(42, "min-is-white.tif", tiff(INK, photometric="miniswhite"), whole=True),
        Case(42, "fax.tif", ten_encodings()["tiff-g4"], whole=True),
        Case(45, "premultiplied.tif",
             tiff(premultiplied, photometric="rgb", extrasamples=["assocalpha"]), whole=True),
        Case(47, "press.jpg", encoded(RGB.convert("CMYK"), "JPEG"), "W_COLOUR", whole=True),
        Case(48, "senseless.jpg", encoded(RGB, "JPEG", exif=exif), "W_ORIENTATION", whole=True),
        Case(49, "profile-broken.png", encoded(RGB, "PNG", icc_profile=b"none" * 50), whole=True),
        Case(49, "profile-4-mb.png", encoded(RGB, "PNG", icc_profile=bytes(4_000_000)),
             whole=True),
        Case(50, "pages.tif", two, "W_FRAMES", whole=True),
        Case(50, "moving.png", moving, "W_FRAMES", whole=True),
        Case(50, "phone.jpg", encoded(RGB, "MPO", save_all=True, append_images=[RGB]),
             "W_FRAMES", whole=True),
        Case(51, "blank-first.gif", encoded(blank, "GIF", save_all=True, append_images=[GREY]),
             "E_BLANK"),
        Case(53, "tiled.tif", tiff(rgb, tile=(32, 32)), whole=True),
        Case(53, "planar.tif", tiff(plane, planarconfig="separate", photometric="rgb"),
             whole=True),
        Case(53, "big.tif", tiff(rgb, bigtiff=True), whole=True),
        Case(53, "big-endian.tif", tiff(rgb, byteorder=">"), whole=True),
        Case(53, "zstd.tif", encoded(RGB, "TIFF", compression="zstd"), whole=True),
        Case(53, "jpeg-in.tif", encoded(RGB, "TIFF", compression="jpeg"), whole=True),
        Case(53, "lerc.tif", lerc, "E_UNSUPPORTED"),
        Case(56, "top-down.bmp", top_down(), whole=True),
        Case(56, "run-length.bmp", run_length(), whole=True),
        Case(56, "fields.bmp", bit_fields(), whole=True),
    ]  # fmt: skip


def _content() -> list[Case]:
    flat = {"clear": ("RGBA", (9, 9, 9, 0)), "white": ("L", 255), "black": ("L", 0),
            "red": ("RGB", (200, 0, 0))}  # fmt: skip
    alone = [
        Case(61 if name == "clear" else 62, f"{name}.png",
             encoded(Image.new(mode, (40, 40), colour), "PNG"), "E_BLANK")  # type: ignore[arg-type] # a colour of its mode
        for name, (mode, colour) in flat.items()
    ]  # fmt: skip
    size = INK.shape
    y, x = np.mgrid[:200, :200]
    inside = np.hypot(x - 100, y - 100)
    sheet = np.rint(235 - anchor(200, 240) / 255 * 200).astype(np.uint8)
    sheet[:6], sheet[-6:], sheet[:, :6], sheet[:, -6:] = 8, 8, 8, 8
    white = np.where(inside < 50, 255, 0).astype(np.uint8)
    holed = np.dstack([white] * 3 + [np.where(inside < 80, 255, 0).astype(np.uint8)])
    soft = Image.fromarray(np.where(inside < 60, 255, 0).astype(np.uint8)).filter(
        ImageFilter.GaussianBlur(25)
    )
    shade = np.dstack([np.zeros((200, 200, 3), np.uint8), np.asarray(soft)])
    tiny = Image.new("L", (2000, 2000), 255)
    tiny.paste(on_white(anchor(40, 40)), (900, 900))
    noise = np.random.default_rng(2).integers(0, 2, (2000, 2000), dtype=np.uint8) * np.uint8(255)
    board = ((np.indices((800, 800)).sum(axis=0) % 2) * 255).astype(np.uint8)
    faint = np.rint(200 - INK / 255 * 20).astype(np.uint8)
    clear = np.random.default_rng(1).integers(0, 255, (*size, 3), dtype=np.uint8)
    cropped = encoded(GREY.crop((30, 0, 121, 91)), "PNG")
    return [
        *alone,
        Case(33, "dot.png", encoded(Image.new("L", (1, 1)), "PNG"), "E_BLANK"),
        Case(33, "line.png", encoded(Image.fromarray(np.array([[255] * 8 + [0]], np.uint8)),
             "PNG"), "E_TOOSMALL"),
        Case(63, "opaque.png", encoded(with_alpha(rgb_of(GREY), np.full(size, 255)), "PNG"),
             whole=True),
        Case(64, "nearly.png", encoded(with_alpha(rgb_of(GREY), np.full(size, 254)), "PNG"),
             "W_ALPHA", whole=True),
        Case(64, "hardly.png", encoded(with_alpha(rgb_of(GREY), np.full(size, 1)), "PNG"),
             "E_BLANK"),
        Case(65, "to-the-edge.png", cropped, "W_CROPPED"),
        Case(66, "white-art.png", encoded(with_alpha(np.full((*size, 3), 255), INK), "PNG"),
             whole=True),
        Case(66, "black-art.png", encoded(with_alpha(np.zeros((*size, 3)), INK), "PNG"),
             whole=True),
        Case(67, "white-inside.png", encoded(Image.fromarray(holed), "PNG"), "W_AMBIGUOUS"),
        Case(68, "garbage-below.png", encoded(with_alpha(clear, INK), "PNG"), whole=True),
        Case(69, "glow.png", encoded(Image.fromarray(shade), "PNG"), "W_SOFT"),
        Case(70, "white-on-black.png", encoded(Image.fromarray(INK), "PNG"), "W_INVERTED",
             whole=True),
        Case(71, "faint.png", encoded(Image.fromarray(faint), "PNG"), "E_LOWCONTRAST"),
        Case(72, "quality-10.jpg", encoded(RGB, "JPEG", quality=10), whole=True),
        Case(74, "noise.png", encoded(Image.fromarray(noise), "PNG"), "E_TOOCOMPLEX"),
        Case(75, "chequer.png", encoded(Image.fromarray(board), "PNG"), "E_TOOCOMPLEX"),
        Case(79, "lid.png", encoded(Image.fromarray(sheet), "PNG"), "W_FRAME"),
        Case(81, "tiny.png", encoded(tiny, "PNG"), "W_LOWRES"),
    ]  # fmt: skip


# ------------------------------------------------------------------ how they are made


def rgb_of(image: Image.Image) -> np.ndarray:
    return np.asarray(image.convert("RGB"))


def with_alpha(colour: np.ndarray, alpha: np.ndarray) -> Image.Image:
    return Image.fromarray(np.dstack([colour, alpha]).astype(np.uint8))


def tiff(samples: np.ndarray, **options: Any) -> bytes:
    """Return a TIFF of another writer (tifffile), for what Pillow does not write."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, samples, metadata=None, **options)
    return stream.getvalue()


def patched(data: bytes, *places: Any) -> bytes:
    """Return the data with other bytes at some places: place, bytes, place, bytes ..."""
    changed = bytearray(data)
    for at, new in zip(places[::2], places[1::2], strict=True):
        changed[at : at + len(new)] = new
    return bytes(changed)


def flipped(data: bytes, at: int) -> bytes:
    return patched(data, at, bytes([data[at] ^ 1]))


def _list(entries: list[tuple[int, int, int]], following: int) -> bytes:
    packed = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    return struct.pack("<H", len(entries)) + packed + struct.pack("<I", following)


def _entries(width: int, height: int, at: int) -> list[tuple[int, int, int]]:
    return [(256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 1), (262, 3, 1),
            (273, 4, at), (278, 4, height), (279, 4, width * height)]  # fmt: skip


def list_at_end() -> bytes:
    """TIFF 6.0, section 2: the list of entries may lie anywhere, here behind the pixels."""
    samples = np.asarray(GREY).tobytes() + b"\0"  # a list begins on a word boundary
    rows, columns = INK.shape
    end = 8 + len(samples)
    return b"II*\0" + struct.pack("<I", end) + samples + _list(_entries(columns, rows, 8), 0)


def pages(count: int) -> bytes:
    """Return a TIFF with a long chain of lists."""
    step = len(_list(_entries(1, 1, 4), 0))
    lists = [_list(_entries(1, 1, 4), 8 + step * (n + 1) if n < count - 1 else 0)
             for n in range(count)]  # fmt: skip
    return b"II*\0" + struct.pack("<I", 8) + b"".join(lists)


def looped() -> bytes:
    """Return a TIFF whose list names itself as the next one."""
    data = list_at_end()
    return data[:-4] + data[4:8]


def frame_outside(moving: bytes) -> bytes:
    """Move the second frame of an animated PNG out of its canvas (W3C PNG, 11.3.6.2)."""
    at = moving.index(b"fcTL", moving.index(b"fcTL") + 4)
    body = patched(moving[at + 4 : at + 30], 12, struct.pack(">II", 100, 90))
    return moving[: at - 4] + chunk(b"fcTL", body) + moving[at + 34 :]


def _bmp(header: bytes, palette: bytes, body: bytes) -> bytes:
    at = 14 + len(header) + len(palette)
    return b"BM" + struct.pack("<IHHI", at + len(body), 0, 0, at) + header + palette + body


def _bmp_header(height: int, depth: int, packing: int, size: int) -> bytes:
    return struct.pack(
        "<IiiHHIIiiII", 40, INK.shape[1], height, 1, depth, packing, size, 2835, 2835, 0, 0
    )


def top_down() -> bytes:
    """BITMAPINFOHEADER: a negative height has its first row on top."""
    width = (INK.shape[1] * 3 + 3) // 4 * 4
    rows = [row.tobytes().ljust(width, b"\0") for row in np.asarray(RGB)]
    body = b"".join(rows)
    return _bmp(_bmp_header(-INK.shape[0], 24, 0, len(body)), b"", body)


def run_length() -> bytes:
    """BI_RLE8: pairs of count and index, each row closed by 0 0, the picture by 0 1."""
    rows = [b"".join(bytes([1, v]) for v in row) + b"\0\0" for row in np.asarray(GREY)[::-1]]
    body = b"".join(rows) + b"\0\1"
    palette = b"".join(bytes([i, i, i, 0]) for i in range(256))
    return _bmp(_bmp_header(INK.shape[0], 8, 1, len(body)), palette, body)


def bit_fields() -> bytes:
    """BI_BITFIELDS: three masks say where in 32 bits the colours lie."""
    words = np.asarray(GREY).astype("<u4") * 0x010101
    body = words[::-1].tobytes()
    masks = struct.pack("<III", 0xFF0000, 0xFF00, 0xFF)
    return _bmp(_bmp_header(INK.shape[0], 32, 3, len(body)), masks, body)
