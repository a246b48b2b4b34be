"""Text of others made safe to show in JSON and in HTML; for the terminal see `tracer.names`.

File names, settings and messages may carry markup, control characters, characters that turn the
direction of reading (Unicode Standard Annex 9) and bytes that are no text at all.
"""

import html
import re
from typing import NewType

from tracer.names import shown_name

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
    return _UNDECODABLE.sub(lambda found: shown_name(found[0]), text)


def esc(text: str) -> Html:
    """Return text as markup: shown, never obeyed, in elements and in quoted attributes."""
    return Html(html.escape(shown_name(text), quote=True))


def _quoted(value: str) -> str:
    """Escape for an attribute in double quotes; single ones, common in pictures, may stand."""
    return html.escape(value, quote=False).replace('"', "&quot;")


def joined(*parts: Html) -> Html:
    """Return pieces of markup one after the other."""
    return Html("".join(parts))


def tag(name: str, *inside: Html, **attributes: str) -> Html:
    """Return an element; `cls` stands for class, ``_`` in a name for ``-``.

    >>> tag("p", esc("a < b"), cls="note")
    '<p class="note">a &lt; b</p>'
    """
    written = "".join(
        f' {"class" if key == "cls" else key.replace("_", "-")}="{_quoted(value)}"'
        for key, value in attributes.items()
    )
    if name in ("img", "col", "br"):
        return Html(f"<{name}{written}>")
    return Html(f"<{name}{written}>{''.join(inside)}</{name}>")
