"""Text of others made safe to show: in a terminal, in JSON, in HTML.

File names, settings and messages may carry markup, control characters, characters that turn the
direction of reading (Unicode Standard Annex 9) and bytes that are no text at all.
"""

import html
import re
import unicodedata
from typing import NewType

Html = NewType("Html", str)
"""Markup that is safe to put into a page. Made only by the functions of this module."""

_UNDECODABLE = re.compile("[\ud800-\udfff]")


def plain(text: str) -> str:
    r"""Return `text` with what is not Unicode text written out, as ``\xff``.

    Python keeps the bytes of an undecodable file name as lone surrogates (PEP 383); they cannot be
    encoded as UTF-8, and no other program would read them from JSON.

    >>> plain("heron\udcff.png")
    'heron\\xff.png'
    """
    return _UNDECODABLE.sub(lambda found: _escaped(found[0]), text)


def visible(text: str) -> str:
    r"""Return `text` on one line with every control and format character written out.

    >>> visible("two\nlines"), visible("gnp.\u202eevil")
    ('two\\x0alines', 'gnp.\\u202eevil')
    """
    return "".join(
        _escaped(c) if unicodedata.category(c) in _HIDDEN and c != " " else c for c in text
    )


_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def _escaped(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # a byte kept by PEP 383
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def esc(text: str) -> Html:
    """Return text as markup: shown, never obeyed, in elements and in quoted attributes."""
    return Html(html.escape(visible(text), quote=True))


def joined(*parts: Html) -> Html:
    """Return pieces of markup one after the other."""
    return Html("".join(parts))


def tag(name: str, *inside: Html, **attributes: str) -> Html:
    """Return an element; `cls` stands for class, ``_`` in a name for ``-``.

    >>> tag("p", esc("a < b"), cls="note")
    '<p class="note">a &lt; b</p>'
    """
    written = "".join(
        f' {"class" if key == "cls" else key.replace("_", "-")}="{html.escape(value)}"'
        for key, value in attributes.items()
    )
    if name in ("img", "col", "br"):
        return Html(f"<{name}{written}>")
    return Html(f"<{name}{written}>{''.join(inside)}</{name}>")
