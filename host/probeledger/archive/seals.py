"""What goes for all that the archive keeps: text that every database takes, and digests that show an altered row."""

import json
from hashlib import sha256

__all__ = ["seal", "storable"]


def storable(text: str) -> str:
    """Return a text as it is kept: a zero character is legal in CBOR and refused by PostgreSQL."""
    return text.replace("\0", "\ufffd")


def seal(*values: object) -> bytes:
    """Return the SHA-256 of values: texts, numbers, bytes, None, each with its type, in this order."""
    plain = [["bytes", bytes(value).hex()] if isinstance(value, (bytes, memoryview)) else value for value in values]
    return sha256(json.dumps(plain, ensure_ascii=True, separators=(",", ":")).encode("ascii")).digest()
