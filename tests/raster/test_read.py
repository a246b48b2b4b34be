"""The strict reader against other decoders, cut files, odd samples and foreign bytes."""

import struct
import time
import zlib

import numpy as np
import pytest
from PIL import Image, ImageCms

from tests.raster.encode import anchor, chunk, encoded, on_white, png, ten_encodings
from tracer.errors import InputError
from tracer.model import Artwork
from tracer.raster.read import read_artwork
from tracer.settings import InkOptions


def read(data: bytes, name: str = "anchor.png", **options: object) -> Artwork:
    return read_artwork(data, name, InkOptions(**options))  # type: ignore[arg-type] # as given


def refused(data: bytes, name: str = "anchor.png", **options: object) -> str:
    with pytest.raises(InputError) as caught:
        read(data, name, **options)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(name + ": ")
    assert caught.value.hint
    return caught.value.code


def outcome(data: bytes) -> str:
    """Return the code of the refusal, or that of the first warning."""
    try:
        return next(iter(sorted(codes(read(data, "anchor")))), "")
    except InputError as error:
        return error.code


def codes(artwork: Artwork) -> set[str]:
    return {d.code for d in artwork.decisions if d.code}


# ------------------------------------------------------------------ cut, damaged, continued


@pytest.mark.parametrize("encoding", sorted(ten_encodings()))
def test_cut_files_are_refused_unless_their_pixels_are_complete(encoding: str) -> None:
    """Sixty cuts: forty over the file, twenty within its last bytes."""
    data = ten_encodings()[encoding]
    whole = read(data)
    spread = np.linspace(1, len(data) - 1, 40).astype(int).tolist()
    accepted = 0
    for cut in {*spread, *range(len(data) - 20, len(data))}:
        code = outcome(data[:cut])
        assert code in {"E_TRUNCATED", "W_TRAILING"} or (cut < 8 and code == "E_FORMAT"), cut
        if code == "W_TRAILING":
            assert np.array_equal(read(data[:cut]).colour, whole.colour)
            accepted += 1
    # What follows the pixels: of a PNG the checksum of IDAT (4) and IEND (12), of a GIF one byte.
    assert accepted <= {"png": 16, "gif": 1}.get(encoding, 0)


@pytest.mark.parametrize("encoding", sorted(set(ten_encodings()) - {"tiff-raw"}))
def test_only_a_signature_is_a_cut_off_file(encoding: str) -> None:
    data = ten_encodings()[encoding]
    length = {"png": 8, "jpeg": 3, "gif": 6, "webp": 12, "bmp": 2}.get(encoding[:4].strip("-"), 4)
    assert refused(data[:length]) == "E_TRUNCATED"


@pytest.mark.parametrize("encoding", ["png", "jpeg", "jpeg-progressive", "webp", "gif", "bmp"])
def test_bytes_after_the_end_are_left_aside_and_told(encoding: str) -> None:
    data = ten_encodings()[encoding]
    artwork = read(data + b"PK\x03\x04 a film behind the picture")
    assert "W_TRAILING" in codes(artwork)
    assert np.array_equal(artwork.colour, read(data).colour)
    assert "W_TRAILING" not in codes(read(data))


def test_a_flipped_byte_in_any_part_of_a_png_is_damage() -> None:
    data = encoded(on_white(anchor()), "PNG", dpi=(300, 300))
    for at in range(8, len(data)):
        broken = bytearray(data)
        broken[at] ^= 0x10
        code = outcome(bytes(broken))
        if at < len(data) - 12:
            assert code in {"E_DAMAGED", "E_TRUNCATED", "E_TOOMANYPIXELS"}, at
        else:  # only the end mark is hurt, the pixels are complete
            assert code in {"E_DAMAGED", "W_TRAILING"}, at


def test_tiff_pages_in_a_loop_end() -> None:
    data = bytearray(encoded(on_white(anchor()), "TIFF"))
    first = int.from_bytes(data[4:8], "little")
    count = int.from_bytes(data[first : first + 2], "little")
    data[first + 2 + 12 * count : first + 6 + 12 * count] = first.to_bytes(4, "little")
    assert refused(bytes(data)) == "E_DAMAGED"


# ------------------------------------------------------------------ bombs


def png_header(width: int, height: int) -> bytes:
    return png(width, height, 8, 2, b"")


@pytest.mark.parametrize(
    ("width", "height"), [(60_000, 60_000), (13_000, 13_000), (10_000, 9_000), (40_000, 10)]
)
def test_a_header_bomb_is_refused_from_its_header(width: int, height: int) -> None:
    start = time.process_time()
    with pytest.raises(InputError, match="--max-pixels") as caught:
        read(png_header(width, height))
    assert caught.value.code == "E_TOOMANYPIXELS"
    assert time.process_time() - start < 0.5


def test_bombs_of_the_other_formats_are_refused_too() -> None:
    side = 30_001
    gif = b"GIF89a" + struct.pack("<HH", 60_000, 60_000) + b"\0\0\0,"
    gif += struct.pack("<HHHH", 0, 0, 60_000, 60_000) + b"\0\x02\x02\x4c\x01\0;"
    webp = b"VP8X" + struct.pack("<I", 10) + b"\0\0\0\0" + (16_382).to_bytes(3, "little") * 2
    jpeg = bytearray(ten_encodings()["jpeg"])
    at = jpeg.index(b"\xff\xc0")
    jpeg[at + 5 : at + 9] = struct.pack(">HH", 60_000, 60_000)
    bmp = bytearray(encoded(on_white(anchor()).convert("L"), "BMP"))
    bmp[18:26] = struct.pack("<ii", side, 4)
    bmp += bytes(side * 5)
    for data in (gif, b"RIFF" + struct.pack("<I", 4 + len(webp)) + b"WEBP" + webp, jpeg, bmp):
        assert refused(bytes(data)) == "E_TOOMANYPIXELS"


def test_max_pixels_is_an_option() -> None:
    data = encoded(on_white(anchor()), "PNG")
    assert refused(data, max_pixels=121 * 91 - 1) == "E_TOOMANYPIXELS"
    assert read(data, max_pixels=121 * 91).rows == 91


@pytest.mark.parametrize(("width", "height"), [(0, 10), (10, 0), (0x80000001, 10)])
def test_impossible_sizes_are_damage(width: int, height: int) -> None:
    assert refused(png_header(width, height)) == "E_DAMAGED"


def test_a_text_bomb_stays_small() -> None:
    bomb = zlib.compress(bytes(80_000_000), 9)
    data = png(1, 1, 8, 0, b"\0\0", chunk(b"zTXt", b"Comment\0\0" + bomb))
    assert refused(data) == "E_DAMAGED"


# ------------------------------------------------------------------ samples


def test_sixteen_bit_grey_is_exact() -> None:
    values = np.arange(0, 65536, 257 * 5 + 1, dtype=np.uint16).reshape(1, -1)
    assert np.array_equal(read(encoded(Image.fromarray(values), "PNG")).colour, values)
    big = read(encoded(Image.fromarray(values), "TIFF"))
    assert np.array_equal(big.colour, values)


@pytest.mark.parametrize(("colour_type", "channels"), [(4, 2), (6, 4)])
def test_sixteen_bit_alpha_is_exact(colour_type: int, channels: int) -> None:
    values = np.array([[0, 1, 255, 256, 32767, 32768, 65279, 65535]], dtype=">u2")
    samples = np.zeros((1, values.size, channels), dtype=">u2")
    samples[..., -1] = values
    artwork = read(png(values.size, 1, 16, colour_type, b"\0" + samples.tobytes()))
    assert artwork.alpha is not None
    assert np.array_equal(artwork.alpha, values)


@pytest.mark.parametrize("depth", [1, 2, 4, 8, 16])
def test_a_transparent_grey_is_exact_at_every_depth(depth: int) -> None:
    value = 2 ** (depth - 1)  # in units of the file
    packed = (value << (16 - depth)).to_bytes(2, "big") if depth < 8 else value.to_bytes(2, "big")
    row = {8: packed[1:], 16: packed}.get(depth, packed[:1])
    other = bytes(len(row))
    data = png(
        1, 2, depth, 0, b"\0" + row + b"\0" + other, chunk(b"tRNS", struct.pack(">H", value))
    )
    artwork = read(data)
    assert artwork.alpha is not None
    assert artwork.alpha[:, 0].tolist() == [0, 255]


def test_a_palette_index_beyond_the_palette_is_damage() -> None:
    palette = chunk(b"PLTE", bytes(3 * 4))
    assert read(png(2, 1, 8, 3, b"\0\x00\x03", palette)).rows == 1
    assert refused(png(2, 1, 8, 3, b"\0\x00\x04", palette)) == "E_DAMAGED"


def test_modes_keep_paper_light_and_ink_dark() -> None:
    """Exact, but for the loss of JPEG, rounding in Lab and YCbCr, and 1 bit (half of the range)."""
    grey = on_white(anchor())
    expected = np.asarray(grey).astype(int)
    for mode, file_format, tolerance in (
        ("CMYK", "JPEG", 12), ("CMYK", "TIFF", 1), ("LAB", "TIFF", 3), ("YCbCr", "TIFF", 3),
        ("1", "TIFF", 128), ("LA", "PNG", 0), ("P", "GIF", 1), ("RGBA", "WEBP", 0),
    ):  # fmt: skip
        if mode == "LAB":
            to_lab = ImageCms.buildTransform(
                ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), "RGB", "LAB"
            )
            image = ImageCms.applyTransform(grey.convert("RGB"), to_lab)
            assert image is not None
        elif mode == "CMYK":
            image = grey.convert("RGB").convert("CMYK")
        else:
            image = grey.convert(mode, dither=Image.Dither.NONE)
        options = {"JPEG": {"quality": 95}, "WEBP": {"lossless": 1}}.get(file_format, {})
        artwork = read(encoded(image, file_format, **options), "anchor")
        got = artwork.colour if artwork.colour.ndim == 2 else artwork.colour.mean(axis=2)
        assert np.abs(got.astype(int) - expected).max() <= tolerance, (mode, file_format)
        assert ("W_COLOUR" in codes(artwork)) == (mode in {"CMYK", "LAB", "YCbCr"})


def test_floating_samples_are_stretched_and_said_and_nan_is_refused() -> None:
    values = anchor().astype(np.float32) / 1000 + 3
    artwork = read(encoded(Image.fromarray(values), "TIFF"), "anchor.tif")
    assert "W_SCALED" in codes(artwork)
    assert (int(artwork.colour.min()), int(artwork.colour.max())) == (0, 65535)
    values[3, 3] = np.nan
    assert refused(encoded(Image.fromarray(values), "TIFF"), "anchor.tif") == "E_UNSUPPORTED"


def test_the_empty_fourth_byte_of_a_bmp_is_not_alpha() -> None:
    rgba = np.dstack([np.asarray(on_white(anchor()).convert("RGB")), np.zeros((91, 121), np.uint8)])
    artwork = read(encoded(Image.fromarray(rgba), "BMP"), "anchor.bmp")
    assert artwork.alpha is None or artwork.alpha.any()


def test_eight_orientations_give_one_picture() -> None:
    """Exif 2.32, table 6: the stored row 0 and column 0 are top and left, top and right, ..."""
    ink = anchor()
    upright = 255 - ink
    stored = {
        1: upright, 2: upright[:, ::-1], 3: upright[::-1, ::-1], 4: upright[::-1],
        5: upright.T, 6: np.rot90(upright, 1), 7: upright[::-1, ::-1].T, 8: np.rot90(upright, -1),
    }  # fmt: skip
    for orientation, samples in stored.items():
        image = Image.fromarray(np.ascontiguousarray(samples))
        exif = Image.Exif()
        exif[0x0112] = orientation
        for file_format in ("PNG", "TIFF", "WEBP", "JPEG"):
            kept = {"WEBP": {"lossless": 1}, "JPEG": {"quality": 100, "subsampling": 0}}
            options = kept.get(file_format, {})
            got = read(encoded(image, file_format, exif=exif, **options), "anchor").colour
            tolerance = 2 if file_format == "JPEG" else 0
            assert np.abs(got.astype(int) - upright).max() <= tolerance, (orientation, file_format)


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_a_senseless_orientation_is_ignored_and_said(orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    artwork = read(encoded(on_white(anchor()), "PNG", exif=exif))
    assert "W_ORIENTATION" in codes(artwork)
    assert np.array_equal(artwork.colour, 255 - anchor())


def test_more_than_one_page_is_said_and_can_be_chosen() -> None:
    first, second = on_white(anchor()), on_white(anchor()[::-1].copy())
    for file_format in ("TIFF", "GIF", "PNG", "WEBP"):
        options = {"lossless": True} if file_format == "WEBP" else {}
        data = encoded(first, file_format, save_all=True, append_images=[second], **options)
        one = read(data, "anchor")
        assert "W_FRAMES" in codes(one)
        assert np.array_equal(one.colour, 255 - anchor()), file_format
        two = read(data, "anchor", page=2)
        assert np.array_equal(two.colour, 255 - anchor()[::-1]), file_format
        assert refused(data, "anchor", page=3) == "E_PAGE"


# ------------------------------------------------------------------ density, profile, noise


def test_png_density_is_exact() -> None:
    """W3C PNG, Third Edition, 11.3.4.3: pHYs in pixels per metre; 11811 is 300 dpi."""
    data = png(1, 1, 8, 0, b"\0\0", chunk(b"pHYs", struct.pack(">IIB", 11811, 11811, 1)))
    assert read(data).density_per_mm == pytest.approx(11.811, rel=1e-9)


@pytest.mark.parametrize("file_format", ["JPEG", "TIFF", "BMP", "PNG"])
def test_density_of_each_format(file_format: str) -> None:
    artwork = read(encoded(on_white(anchor()), file_format, dpi=(300, 300)), "anchor")
    assert artwork.density_per_mm == pytest.approx(300 / 25.4, rel=1e-4)


@pytest.mark.parametrize(
    ("across", "down", "unit", "warned"),
    [(0, 0, 1, False), (11811, 5906, 1, True), (0xFFFFFFF, 0xFFFFFFF, 1, True), (3, 3, 0, False)],
)
def test_senseless_density_is_not_used(across: int, down: int, unit: int, warned: bool) -> None:
    data = png(1, 1, 8, 0, b"\0\0", chunk(b"pHYs", struct.pack(">IIB", across, down, unit)))
    artwork = read(data)
    assert artwork.density_per_mm is None
    assert ("W_DPI" in codes(artwork)) == warned


def test_a_broken_profile_is_never_fatal_and_a_good_one_is_used_for_colours() -> None:
    rgb = Image.new("RGB", (40, 40), (200, 30, 30))
    broken = encoded(rgb, "PNG", icc_profile=b"no profile at all" * 20)
    assert "W_ICC" in codes(read(broken, ink="red"))
    assert "W_ICC" not in codes(read(broken))
    good = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    same = read(encoded(rgb, "PNG", icc_profile=good), ink="red")
    assert np.abs(same.colour[0, 0].astype(int) - [200, 30, 30]).max() <= 1


def test_what_a_decoder_prints_does_not_get_out(capfd: pytest.CaptureFixture[str]) -> None:
    """A TIFF with a tag of the wrong type makes the C library print to the error stream."""
    data = bytearray(ten_encodings()["tiff-lzw"])
    for at in range(len(data) - 60, len(data), 3):
        broken = data.copy()
        broken[at] ^= 0xFF
        outcome(bytes(broken))
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")


# ------------------------------------------------------------------ other kinds of bytes


@pytest.mark.parametrize(
    ("data", "word", "code"),
    [
        (b"", "empty", "E_EMPTY"),
        (b"\x89", "not an image", "E_FORMAT"),
        (b"hello", "not an image", "E_FORMAT"),
        (b"%PDF-1.7\n...", "PDF", "E_FORMAT"),
        (b"<!DOCTYPE html><html>404</html>", "web page", "E_FORMAT"),
        (b"PK\x03\x04" + bytes(60), "ZIP", "E_FORMAT"),
        (b'<?xml version="1.0"?><!-- x --><svg xmlns="">', "SVG", "E_UNSUPPORTED"),
        (b"8BPS\0\1" + bytes(60), "PSD", "E_UNSUPPORTED"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n", "EPS", "E_UNSUPPORTED"),
        (b"\0\0\0\x18ftypheic" + bytes(60), "HEIC", "E_UNSUPPORTED"),
        (b"\0\0\0\x18ftypavif" + bytes(60), "AVIF", "E_UNSUPPORTED"),
        (b"\0\0\1\0\1\0\x10\x10" + bytes(60), "icon", "E_UNSUPPORTED"),
        (b"\x0a\5\1\x08" + bytes(124), "PCX", "E_UNSUPPORTED"),
        (b"\0\0\2\0" + bytes(60), "TGA", "E_UNSUPPORTED"),
        (b"P6\n3 3\n255\n" + bytes(27), "PNM", "E_UNSUPPORTED"),
        (b"\0\5\x16\7" + bytes(60), "macOS", "E_FORMAT"),
        (b"\0\0\0\x18ftypisom" + bytes(60), "film", "E_FORMAT"),
        (b"MZ" + bytes(60), "program", "E_FORMAT"),
        (b"BMW is not a bitmap, says this text", "not an image", "E_FORMAT"),
    ],
)
def test_other_things_are_named(data: bytes, word: str, code: str) -> None:
    with pytest.raises(InputError, match=word) as caught:
        read(data)
    assert caught.value.code == code


def test_a_pdf_that_says_so_is_unsupported() -> None:
    assert refused(b"%PDF-1.7\n", "anchor.pdf") == "E_UNSUPPORTED"


def test_the_content_counts_and_a_wrong_extension_is_said() -> None:
    jpeg = ten_encodings()["jpeg"]
    assert "W_EXTENSION" in codes(read(jpeg, "anchor.png"))
    for name in ("anchor.JPG", "anchor.jpe", "anchor", "scan.2026", "-"):
        assert codes(read(jpeg, name)) == set()


def test_kinds_of_jpeg_and_png_that_are_not_read_are_named() -> None:
    jpeg = ten_encodings()["jpeg"]
    at = jpeg.index(b"\xff\xc0")
    for marker, depth, word in (
        (0xC9, 8, "arithmetic"),
        (0xC3, 8, "lossless"),
        (0xC1, 12, "12-bit"),
    ):
        changed = bytearray(jpeg)
        changed[at + 1], changed[at + 4] = marker, depth
        with pytest.raises(InputError, match=word) as caught:
            read(bytes(changed), "anchor.jpg")
        assert caught.value.code == "E_UNSUPPORTED"
    apple = b"\x89PNG\r\n\x1a\n" + chunk(b"CgBI", b"\x50\0\x20\x06") + png_header(1, 1)[8:]
    assert refused(apple) == "E_UNSUPPORTED"


def test_tiff_of_64_bit_samples_is_unsupported() -> None:
    data = bytearray(encoded(on_white(anchor()), "TIFF"))
    entry = data.index(struct.pack("<HHI", 258, 3, 1))
    data[entry + 8 : entry + 10] = struct.pack("<H", 64)
    assert refused(bytes(data), "anchor.tif") == "E_UNSUPPORTED"
