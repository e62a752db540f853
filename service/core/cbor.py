"""CBOR as far as the wire contract uses it: one map, and typed arrays of ticks seen in place.

Knows RFC 8949 and RFC 8746; must not know the contract's fields. Rules for the next editor: nothing a payload
holds may run code, refer to another item, or cost more than its own length calls for (cbor2 alone would compile
regular expressions, build MIME messages and convert endless numbers for whoever sends their tag).
"""

from functools import partial
from typing import Any, Final

import cbor2
import numpy as np
import numpy.typing as npt

Tagged = cbor2.CBORTag  # a tag and what it is on; see `typed_array`

DEPTH_MAX = 32  # nesting; the contract's own map is 2 deep, unknown fields may nest a little

_SELF_DESCRIBED: Final = bytes.fromhex("d9d9f7")  # tag 55799: "what follows is CBOR" (RFC 8949 clause 3.4.6)

# cbor2.loads stops after the first item and does not tell whether more follows. So the payload is put first in an
# array of two whose second item is a mark: whatever follows the map, or is missing at its end, takes its place.
_PAIR: Final = b"\x82"
_MARK: Final = b"wire end"
_MARK_ITEM: Final = b"\x1b" + _MARK
_MARK_VALUE: Final = int.from_bytes(_MARK, "big")


def read_map(payload: bytes) -> dict[Any, Any]:
    """Return the one map that the payload is, keys and values as they came.

    Typed arrays are left tagged. Every tag that cbor2 would act on becomes an empty mark, `Tagged(tag, None)`,
    but for date-time text (tag 0), which passes as its text. Lengths, indefinite or not, are the payload's own.
    Raises ValueError, saying what was found and what would mend it, for anything else than one whole map with
    each key once (RFC 8949 clause 5.6) and nesting within DEPTH_MAX.
    """
    try:
        found, after = cbor2.loads(
            _PAIR + payload.removeprefix(_SELF_DESCRIBED) + _MARK_ITEM,
            semantic_decoders=_TAG_READERS,
            max_depth=DEPTH_MAX + 1,
            allow_duplicate_keys=False,
        )
    except cbor2.CBORDecodeError as error:
        cause = f"{error}: {error.__cause__}" if error.__cause__ else str(error)
        begin = payload[:8].hex(" ")
        raise ValueError(
            f"This is no CBOR ({cause[:100]}; it begins with {begin}); send one whole map, each key once"
        ) from None
    if type(found) is not dict:
        raise ValueError("The CBOR is no map; send one map a message")
    if type(after) is not int or after != _MARK_VALUE:
        raise ValueError("The CBOR map is cut short, or more bytes follow it; send one whole map a message")
    return found


def _inert(tag: int, _value: Any, _immutable: bool) -> Tagged:  # noqa: FBT001 - called by cbor2
    return Tagged(tag, None)


def _date_time_text(value: Any, _immutable: bool) -> Any:  # noqa: FBT001 - called by cbor2
    return value


# The tags that cbor2 6 acts on: times, big numbers, decimals, references to strings and items, fractions, regular
# expressions, MIME, UUIDs, addresses, dates, sets, complex numbers. A test tries every tag of two bytes, so that
# one that a later cbor2 adds is found.
_ACTIVE_TAGS: Final = (
    *(1, 2, 3, 4, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54),
    *(100, 256, 258, 260, 261, 1004, 43000, 55799),
)
_TAG_READERS: Final[dict[int, Any]] = {
    0: _date_time_text,
    **{tag: partial(_inert, tag) for tag in _ACTIVE_TAGS},
}

# RFC 8746 clause 2.1: tag = 64 + 16 x float + 8 x signed + 4 x little endian + ll. The 64 bit types are read as
# signed, so that little endian needs no copy at all; 2^63 or more then shows as negative.
TYPED_ARRAYS: Final[dict[int, np.dtype[Any]]] = {
    tag: np.dtype(kind)
    for tag, kind in {64: "u1", 65: ">u2", 66: ">u4", 67: ">i8", 69: "<u2", 70: "<u4", 71: "<i8"}.items()
}


def typed_array(tagged: Tagged) -> npt.NDArray[Any]:
    """Return what a tagged byte string holds, shape (n,), read-only, seen in place: no copy is made.

    Its type is one of TYPED_ARRAYS: unsigned, but for 64 bits, where 2^63 or more shows as negative.
    Raises ValueError, to be read after the field's name, where it is no unsigned typed array.

    Source: RFC 8746 clause 2.
    """
    kind = TYPED_ARRAYS.get(tagged.tag)
    if kind is None:
        what = f"{typed_array_name(tagged.tag)} (tag {tagged.tag})".lstrip()
        raise ValueError(f"came as {what}; send uint16, uint32 or uint64: tags 65 to 67 or 69 to 71")
    content = tagged.value
    if type(content) is not bytes:
        raise ValueError(f"has tag {tagged.tag} on something else than a byte string; send bytes (RFC 8746)")
    if len(content) % kind.itemsize:
        raise ValueError(
            f"has {len(content)} bytes, not a multiple of the {kind.itemsize} of a "
            f"{typed_array_name(tagged.tag)}; send whole elements"
        )
    return np.frombuffer(content, kind)


def typed_array_name(tag: int) -> str:
    """Return what an RFC 8746 tag from 64 to 87 stands for, as "uint32 little endian"; "" for other tags.

    Source: RFC 8746 clause 2.1, which also makes 68 the clamped uint8 and reserves 76.
    """
    if tag in {68, 76} or not 64 <= tag <= 87:
        return "uint8 clamped" if tag == 68 else ""
    is_float, signed, little, width = (tag >> 4) & 1, (tag >> 3) & 1, (tag >> 2) & 1, tag & 3
    kind = "float" if is_float else "sint" if signed else "uint"
    bits = (16 if is_float else 8) << width
    return f"{kind}{bits}" + ("" if bits == 8 else " little endian" if little else " big endian")
