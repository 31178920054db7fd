"""One run of bytes for the browser: a JSON head that says where each array lies, then the arrays.

Layout: four bytes, little-endian, the head's length; the head, UTF-8 JSON, padded with spaces to a
multiple of four; the arrays, each beginning at a multiple of four from where the arrays begin.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

_KINDS = {"float32": "f4", "uint8": "u1"}


def packed(kind: str, head: Mapping[str, Any], arrays: Mapping[str, NDArray[Any] | bytes]) -> bytes:
    """The bytes of a part.

    Args:
        kind: ``scene`` or ``rig``.
        head: what else the browser is to know; values that JSON has.
        arrays: float32 or uint8 of any shape, or bytes as they are.

    Returns:
        Bytes whose head also holds ``kind`` and ``id``, a hash of all that is inside.
    """
    places: dict[str, dict[str, Any]] = {}
    body = bytearray()
    for name, array in arrays.items():
        values = np.frombuffer(array, dtype=np.uint8) if isinstance(array, bytes) else np.ascontiguousarray(array)
        raw = values.tobytes()
        places[name] = {"at": len(body), "type": _KINDS[values.dtype.name], "count": values.size}
        body += raw + b"\0" * (-len(raw) % 4)
    said = {"kind": kind, **head, "arrays": places}
    said["id"] = hashlib.sha256(json.dumps(said, sort_keys=True).encode() + body).hexdigest()[:24]
    text = json.dumps(said, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    return len(text).to_bytes(4, "little") + text + bytes(body)


def head_of(part: bytes) -> dict[str, Any]:
    """The head of packed bytes."""
    length = int.from_bytes(part[:4], "little")
    found: dict[str, Any] = json.loads(part[4 : 4 + length])
    return found


def whole(part: bytes) -> bool:
    """Whether packed bytes are still what their own hash says."""
    try:
        said = head_of(part)
        name = said.pop("id")
        return bool(hashlib.sha256(json.dumps(said, sort_keys=True).encode() + part[4 + int.from_bytes(part[:4], "little") :]).hexdigest()[:24] == name)
    except (ValueError, KeyError, AttributeError):
        return False
