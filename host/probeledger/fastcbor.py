"""Read CBOR as the core does, many times as fast.

An item that the library cbor2 reads in its strictest settings is taken from there. Whatever it refuses, or reads as
something that no record holds, goes to the core's own reader, whose answer counts: the same values, the same refusals.
"""

from __future__ import annotations

import marshal
from collections.abc import Mapping
from io import BytesIO
from typing import Any, NoReturn

from cbor2 import CBORDecoder

from probecore import cbor, record

__all__ = ["decode", "loads"]

# Beyond any item: a shorter read would make the decoder ask for more.
_READ_BYTES = 8192


class _OtherForm(Exception):
    """The item has a form that is left to the core's reader."""


def _refuse_tag(*_: object) -> NoReturn:
    raise _OtherForm


def _with_texts_for_keys(pairs: Mapping[Any, Any], _: bool) -> Mapping[Any, Any]:
    # Joining is the fastest way to find a key that is no text.
    "".join(pairs)
    return pairs


# The tags that cbor2 would read by itself; a test goes through all of the first 70,000.
_TAGS = dict.fromkeys((*range(64), 100, *range(256, 262), 1004, 43000, 55799), _refuse_tag)


def loads(data: bytes) -> Any:
    """Decode one item that fills `data` exactly, as `probecore.cbor.loads` does.

    Raises:
        StoredDataError: if the bytes are cut short, carry something left over, or use a form that is not read.
    """
    file = BytesIO(data)
    try:
        value = CBORDecoder(
            file,
            tag_hook=_refuse_tag,
            object_hook=_with_texts_for_keys,
            semantic_decoders=_TAGS,
            read_size=_READ_BYTES,
            max_depth=cbor.MAX_DEPTH,
            allow_indefinite=False,
            allow_duplicate_keys=False,
        ).decode()
        # Undefined and other simple values are no plain objects, and marshal tells fastest.
        marshal.dumps(value)
    except Exception:
        return cbor.loads(data)
    if file.tell() != len(data):
        return cbor.loads(data)
    return value


def decode(item: bytes) -> dict[str, Any]:
    """Read one record's item, as `probecore.record.decode` does.

    Raises:
        StoredDataError: if it is no record, or one of a format from the future.
    """
    found: dict[str, Any] = record.decode(item, loads)
    return found
