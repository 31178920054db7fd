"""The page's address carries the state: a pairing's text, packed into one query parameter."""

from __future__ import annotations

import base64
import binascii
import zlib

from framematch.errors import InputError
from framematch.page.draft import text_from_upload

LONGEST = 12_000  # characters; browsers and servers take that much, and a usual pairing needs 1 500
_TEXT_MOST = 200_000


def packed(text: str) -> str:
    """A text as letters, digits, ``-`` and ``_``; empty if it is too long for an address."""
    letters = base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")
    return letters if len(letters) <= LONGEST else ""


def unpacked(letters: str) -> str:
    """The text of a pairing in an address.

    Raises:
        InputError: it can't be read, or is no pairing.
    """
    if len(letters) > LONGEST:
        raise InputError("is too long", file="link", fix="load the pairing from its file")
    try:
        raw = base64.b64decode((letters + "=" * (-len(letters) % 4)).encode(), altchars=b"-_", validate=True)
        unzip = zlib.decompressobj()
        text = unzip.decompress(raw, _TEXT_MOST)
        if not unzip.eof:  # cut short, or made to swell
            raise zlib.error("not all there")
    except (binascii.Error, ValueError, zlib.error):
        raise InputError("can't be read", file="link", fix="copy all of it, or load the pairing from its file") from None
    return text_from_upload(text, name="link")
