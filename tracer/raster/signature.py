"""What a run of bytes is, told from its first bytes."""

import re

from tracer.errors import InputError
from tracer.model import Decision

FORMATS = ("PNG", "JPEG", "TIFF", "WEBP", "BMP", "GIF")

EXTENSIONS = {
    "png": "PNG", "apng": "PNG", "jpg": "JPEG", "jpeg": "JPEG", "jpe": "JPEG", "jfif": "JPEG",
    "tif": "TIFF", "tiff": "TIFF", "webp": "WEBP", "bmp": "BMP", "dib": "BMP", "gif": "GIF",
}  # fmt: skip
"""Extensions of the formats that are read."""

_READ = (
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"GIF87a", "GIF"),
    (b"GIF89a", "GIF"),
)

# Other images and drawings: the client has the right thing in the wrong format.
_OTHER_IMAGES = (
    (rb"%!PS|\xc5\xd0\xd3\xc6", "an EPS file"),
    (rb"8BPS", "a PSD file"),
    (rb"gimp xcf", "an XCF file"),
    (rb"\x00\x00[\x01\x02]\x00[^\x00]", "an icon file"),
    (rb"....ftyp(heic|heix|hevc|mif1|msf1|heim|heis)", "a HEIC photograph"),
    (rb"....ftypavi[fs]", "an AVIF image"),
    (rb"....ftypcr", "a camera raw file"),
    (rb"\x00\x00\x00\x0cjP  |\xff\x4f\xff\x51", "a JPEG 2000 image"),
    (rb"\x00\x00\x00\x0cJXL |\xff\x0a", "a JPEG XL image"),
    (rb"\x0a[\x00-\x05]\x01[\x01\x02\x04\x08]", "a PCX image"),
    (rb"qoif", "a QOI image"),
    (rb"DDS ", "a DDS image"),
    (rb"P[1-7]\s", "a PNM image"),
    (rb"v/1\x01", "an EXR image"),
    (rb"\xd7\xcd\xc6\x9a", "a WMF drawing"),
    (rb"\x01\x00\x00\x00.{36} EMF", "an EMF drawing"),
    (rb"RIFF....CDR", "a CDR drawing"),
    (rb"RIFF....ACON", "a cursor file"),
    (
        rb"\x00\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00\x00|\x00\x00\x0a\x00\x00\x00\x00\x00",
        "a TGA image",
    ),
)
_NO_IMAGES = (
    (rb"PK\x03\x04|PK\x05\x06", "a ZIP archive", "unpack it first"),
    (rb"\x1f\x8b|BZh|\xfd7zXZ|7z\xbc\xaf|Rar!", "a packed archive", "unpack it first"),
    (rb"\x00\x05\x16[\x00\x07]", "a companion file of macOS", "name the artwork itself"),
    (rb"....ftyp|\x1aE\xdf\xa3|RIFF....AVI ", "a film", "export one frame as PNG"),
    (rb"RIFF....WAVE|ID3|OggS|fLaC", "a sound file", "name an image"),
    (rb"MZ|\x7fELF", "a program", "name an image"),
    (rb"\xd0\xcf\x11\xe0", "an office document", "export the picture as PNG"),
)
_TEXT_START = 1024
_SVG = re.compile(rb"(<[?]xml[^>]*>|<!doctype svg[^>]*>|<!--.*?-->|\s)*<(\w+:)?svg\b", re.DOTALL)
_WEB_PAGE = re.compile(
    rb"(<[?]xml[^>]*>|<!--.*?-->|\s)*<(!doctype html|html|head|body)\b", re.DOTALL
)


def recognised(data: bytes, name: str) -> str:
    """Return the format of an image file, one of `FORMATS`.

    Raises
    ------
    InputError
        E_EMPTY; E_UNSUPPORTED for images and drawings of a kind that is not read; E_FORMAT for
        anything else, named where it is a common thing; E_DAMAGED for a PNG whose first bytes
        were changed on the way.
    """
    if not data:
        raise InputError(
            "empty file",
            hint="is the download or sync finished? make it available offline",
            code="E_EMPTY",
        )
    if not data.strip(b"\0"):
        raise InputError(
            "holds nothing but zeros",
            hint="the download or sync is not finished: make it available offline",
            code="E_EMPTY",
        )
    for start, file_format in _READ:
        if data.startswith(start):
            return file_format
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if _is_bmp(data):
        return "BMP"
    if data[1:4] == b"PNG" or b"PNG\r\n\x1a" in data[:12] or data[:4] == b"\x89\r\nP":
        raise InputError(
            "a PNG whose first bytes are damaged",
            hint="get it again; mail and FTP programs do this when they send it as text",
            code="E_DAMAGED",
        )
    raise _foreign(data, name)


def _is_bmp(data: bytes) -> bool:
    """Tell a BMP from a text that starts with BM: its first header has a known size."""
    sizes = (12, 16, 40, 52, 56, 64, 108, 124)
    header = int.from_bytes(data[14:18], "little")
    return data[:2] == b"BM" and (len(data) < 18 or header in sizes or data[6:10] == bytes(4))


def _foreign(data: bytes, name: str) -> InputError:
    """Return the error for bytes of another kind."""
    shown_as_image = _extension(name) in EXTENSIONS
    text = data[:_TEXT_START].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if b"%PDF-" in data[:_TEXT_START]:
        code = "E_FORMAT" if shown_as_image else "E_UNSUPPORTED"
        return InputError("is a PDF, not an image", hint="export the page as PNG", code=code)
    if _SVG.match(text):
        return InputError(
            "is an SVG drawing, not an image",
            hint="its curves need no tracing; else export a PNG, 2000 px or more",
            code="E_UNSUPPORTED",
        )
    if _WEB_PAGE.match(text):
        return InputError(
            "is a web page, not an image",
            hint="the download brought an error page: get it again",
            code="E_FORMAT",
        )
    for pattern, label in _OTHER_IMAGES:
        if re.match(pattern, data[:64], re.DOTALL):
            return InputError(
                f"is {label}, which is not supported",
                hint="export a PNG from it",
                code="E_UNSUPPORTED",
            )
    for pattern, label, hint in _NO_IMAGES:
        if re.match(pattern, data[:64], re.DOTALL):
            return InputError(f"is {label}, not an image", hint=hint, code="E_FORMAT")
    return InputError("is not an image", hint="send PNG, JPEG, TIFF, WebP, BMP or GIF",
                      code="E_FORMAT")  # fmt: skip


def _extension(name: str) -> str:
    return name.rpartition(".")[2].lower() if "." in name else ""


def extension_decision(file_format: str, name: str) -> tuple[Decision, ...]:
    """Return a warning if the extension of `name` promises another format, else nothing."""
    extension = _extension(name)
    promised = EXTENSIONS.get(extension)
    if promised is None or promised == file_format:
        return ()
    text = f"the name says .{extension}, the content is {file_format}; read as {file_format}"
    return (Decision("format", text, warning=True, code="W_EXTENSION"),)
