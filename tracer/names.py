"""File names: shown safely to people, and made so that every file system takes them."""

import hashlib
import re
import unicodedata
from pathlib import PurePath

STEM_LIMIT = 200
"""Bytes of a stem: leaves room for every suffix of ours within the 255 of common file systems."""

_UNSHOWN = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Unicode categories that change a line instead of standing in it: control, format (all
bidirectional controls are in it), surrogates, line and paragraph separators (Unicode Standard,
table 4-4)."""

_UNPORTABLE = re.compile(r'[<>:"/\\|?*]')
_RESERVED = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3])(?=\.|$)", re.IGNORECASE
)
"""Both after Microsoft Learn, "Naming Files, Paths, and Namespaces"."""

_UNDECODABLE = range(0xDC80, 0xDD00)  # how Python holds a byte that is no UTF-8 (PEP 383)


def shown_name(path: str | PurePath) -> str:
    r"""Return a name on one line, with everything escaped that could deceive or break the line.

    Letters of every script stay. The result is text that UTF-8 can encode; it is for reading and
    not meant to be turned back.

    >>> print(
    ...     shown_name("a\nb\u202egnp.exe"), shown_name("caf\u00e9"), shown_name("logo\udcff.png")
    ... )
    a\nb\u202egnp.exe café logo\xff.png
    """
    return "".join(_shown(character) for character in str(path))


def _shown(character: str) -> str:
    if unicodedata.category(character) not in _UNSHOWN:
        return character
    if ord(character) in _UNDECODABLE:
        return f"\\x{ord(character) - 0xDC00:02x}"
    return character.encode("unicode_escape").decode("ascii")


def safe_stem(stem: str) -> str:
    r"""Return a stem that Linux, macOS and Windows all take, alike for equal input.

    Characters that one of them refuses, or that deceive, become ``_``; blanks and dots at the
    ends go (a leading dot would hide the file); a device name gets a ``_``; a stem over
    `STEM_LIMIT` bytes is cut and ends in eight hex digits of its SHA-256. The result holds no
    separator and is never empty, but two stems may come out alike: the caller keeps them apart.

    >>> safe_stem("a:b"), safe_stem("../../etc/passwd"), safe_stem("aux.v2"), safe_stem(" .")
    ('a_b', '_.._etc_passwd', 'aux_.v2', 'artwork')
    """
    text = unicodedata.normalize("NFC", stem)
    text = "".join("_" if unicodedata.category(c) in _UNSHOWN else c for c in text)
    text = _UNPORTABLE.sub("_", text).strip(" .") or "artwork"
    text = _RESERVED.sub(r"\1_", text, count=1) if _RESERVED.match(text) else text
    raw = text.encode()
    if len(raw) <= STEM_LIMIT:
        return text
    digest = hashlib.sha256(stem.encode(errors="surrogatepass")).hexdigest()[:8]
    return f"{raw[: STEM_LIMIT - 9].decode(errors='ignore').rstrip(' .')}-{digest}"


def same_name_key(name: str) -> str:
    r"""Return a key that is equal for names which a file system may take for one.

    Case is folded and composed and decomposed letters are one (Unicode Standard, D145: caseless
    matching under canonical normalisation).

    >>> same_name_key("LOGO") == same_name_key("logo")
    True
    >>> same_name_key("cafe\u0301") == same_name_key("caf\u00c9")
    True
    """
    return unicodedata.normalize(
        "NFC", unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())
    )
