"""Checks that bytes are one CBOR item in the deterministic encoding of RFC 8949 section 4.2.1.

Owns the narrowing of SPEC.md chapter 2: no floating point, no simple values but false, true and
null, no tags but those the caller allows. Decoding itself is left to `cbor2`, after the check.
"""

from collections.abc import Mapping

import cbor2

MAX_DEPTH = 16


class CborFault(ValueError):
    """What is wrong with an item, and at which byte of it."""

    def __init__(self, offset, what):
        super().__init__(f"{what} at byte {offset}")
        self.offset = offset
        self.what = what


def decode(data, tags=frozenset(), max_depth=MAX_DEPTH):
    """The value of `data`, which must be exactly one item in deterministic encoding."""
    end = _item(data, 0, tags, max_depth)
    if end != len(data):
        raise CborFault(end, "bytes after the item")
    try:
        return _plain(cbor2.loads(data))
    except Exception as error:  # the check above and the library must agree
        raise CborFault(0, f"not decodable: {error}") from error


def _plain(value):
    """Dictionaries and lists throughout: the library freezes what stands inside a tag."""
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    if isinstance(value, cbor2.CBORTag):
        return cbor2.CBORTag(value.tag, _plain(value.value))
    return value


def _head(data, at):
    if at >= len(data):
        raise CborFault(at, "the item ends too early")
    major, info = data[at] >> 5, data[at] & 0x1F
    if info < 24:
        return major, info, info, at + 1
    if info > 27:
        raise CborFault(at, "indefinite length or reserved head")
    width = 1 << (info - 24)
    raw = data[at + 1 : at + 1 + width]
    if len(raw) != width:
        raise CborFault(at, "the head ends too early")
    return major, info, int.from_bytes(raw, "big"), at + 1 + width


def _item(data, at, tags, depth_left):
    """Checks the item at `at` and returns where it ends."""
    start = at
    major, info, value, at = _head(data, at)
    if major == 7:
        if info not in (20, 21, 22):
            raise CborFault(start, "a simple value other than false, true, null, or a float")
        return at
    shortest = 24 if info == 24 else 1 << (8 << (info - 25)) if info > 24 else 0
    if value < shortest:
        raise CborFault(start, "a head longer than needed")
    if major in (0, 1):
        return at
    if major in (2, 3):
        raw = data[at : at + value]
        if len(raw) != value:
            raise CborFault(start, "the string ends too early")
        if major == 3:
            try:
                raw.decode("utf-8")
            except UnicodeDecodeError as error:
                raise CborFault(at + error.start, "text that is not UTF-8") from None
        return at + value
    if depth_left == 0:
        raise CborFault(start, "nested too deep")
    if major == 6:
        if value not in tags:
            raise CborFault(start, f"tag {value} has no place here")
        return _item(data, at, tags, depth_left - 1)
    # Each element takes a byte at least: a count beyond the rest is a lie, found before looping.
    if value > len(data) - at:
        raise CborFault(start, "more elements than bytes")
    if major == 4:
        for _ in range(value):
            at = _item(data, at, tags, depth_left - 1)
        return at
    previous = None
    for _ in range(value):
        key_start = at
        at = _item(data, at, tags, depth_left - 1)
        key = data[key_start:at]
        if previous is not None and key <= previous:
            raise CborFault(key_start, "a map key out of order or given twice")
        previous = key
        at = _item(data, at, tags, depth_left - 1)
    return at
