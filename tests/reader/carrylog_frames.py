"""Frames of a carrylog file (SPEC.md chapter 3, rules B-1 to B-5 and B-8) and the refusal every rule ends in."""

from hashlib import sha256
from typing import NamedTuple

import carrylog_shapes as shapes
import strict_cbor

MAGIC = bytes.fromhex("d9d9f7")
KIB, MIB = 1 << 10, 1 << 20
ENTRY, HEADER, FRONTIER, SEAL, TRACE, STATEMENT, RECEIPT, PROVEN, RECOVERY, END, SEALED, HEAD = (
    0, *range(2, 13)
)
LIMITS = {
    ENTRY: 64 * KIB,
    HEADER: 4 * KIB,
    FRONTIER: 4 * KIB,
    SEAL: KIB,
    TRACE: 16 * MIB,
    STATEMENT: 64 * KIB,
    RECEIPT: 8 * KIB,
    PROVEN: 72 * KIB,
    RECOVERY: MIB,
    END: 256,
    SEALED: MIB,
    HEAD: 64 * KIB,
    **{skippable: MIB for skippable in range(16, 24)},
}
NAMES = {
    ENTRY: "entry", HEADER: "header", FRONTIER: "frontier", SEAL: "seal", TRACE: "trace", STATEMENT: "statement",
    RECEIPT: "receipt", PROVEN: "proven entry", RECOVERY: "recovery", END: "end", SEALED: "sealed", HEAD: "head",
}
DIGEST_HEAD = bytes.fromhex("5820")


class Refusal(Exception):
    """A file is refused: by which rule, where, whose fault it is (SPEC.md chapter 13), and why."""

    def __init__(self, rule, offset, fault, why, entry=None):
        super().__init__(f"{rule} at byte {offset} ({fault}): {why}")
        self.rule, self.offset, self.fault, self.why, self.entry = rule, offset, fault, why, entry


class Frame(NamedTuple):
    type: int
    payload: bytes
    digest: bytes
    offset: int

    @property
    def end(self):
        """The offset after the frame."""
        head = 1 if len(self.payload) < 24 else 2 if len(self.payload) < 256 else 3 if len(self.payload) < 65536 else 5
        return self.offset + 2 + head + len(self.payload) + 34

    @property
    def name(self):
        return NAMES.get(self.type, "frame that may be skipped")


def read_frames(data):
    """Yields the frames of a file up to its end frame, that one included, skippable ones left out.

    What an end frame says is checked before it is handed out; what comes after it is for `carrylog_recovery`.
    """
    if data[:3] != MAGIC:
        raise Refusal("B-1", 0, "medium", "the file does not start with d9 d9 f7")
    at, count = len(MAGIC), 0
    while at < len(data):
        frame, at_next = read_frame(data, at)
        if count == 0 and frame.type != HEADER:
            raise Refusal("B-6", frame.offset, "maker", "the first frame is not a header")
        if frame.type == END:
            check_end(frame, count)
            yield frame
            return
        if frame.type < 16:
            yield frame
        at, count = at_next, count + 1
    raise Refusal("B-8", at, "medium", "the file ends without an end frame")


def read_frame(data, at):
    """The frame at an offset, and the offset after it."""
    start = at

    def broken(why):
        return Refusal("B-2", start, "medium", why)

    if data[at] != 0x83:
        raise broken("a frame starts with 83")
    if at + 2 >= len(data):
        raise broken("the file ends inside a frame")
    kind = data[at + 1]
    if kind > 23:
        raise broken("the type is not one byte, 0 to 23")
    if kind not in LIMITS:
        raise Refusal("B-5", start, "maker", f"frame type {kind} is unknown")
    head = data[at + 2]
    if head >> 5 != 2 or head & 31 > 27:
        raise broken("the payload is not a byte string of stated length")
    width = 0 if head & 31 < 24 else 1 << ((head & 31) - 24)
    at += 3
    raw = data[at : at + width]
    if len(raw) != width:
        raise broken("the file ends inside a frame")
    length = int.from_bytes(raw, "big") if width else head & 31
    if width and length < (24 if width == 1 else 1 << (4 * width)):
        raise broken("the payload's length is not in its shortest form")
    if length > LIMITS[kind]:
        raise Refusal("B-3", start, "medium", f"{length} bytes are more than a {NAMES.get(kind, 'frame')} may have")
    at += width
    payload = data[at : at + length]
    at += length
    tail = data[at : at + 34]
    if len(payload) != length or len(tail) != 34:
        # A wrong byte before a digest cut short is a wrong byte all the same: both are B-2.
        raise broken("the file ends inside a frame")
    if tail[:2] != DIGEST_HEAD:
        raise broken("58 20 does not stand before the digest")
    digest = tail[2:]
    if sha256(bytes([kind]) + payload).digest() != digest:
        raise Refusal("B-4", start, "medium", "the digest is not that of type and payload")
    return Frame(kind, payload, digest, start), at + 34


def check_end(end, count):
    """What the end frame says about the frames before it (rule B-8)."""
    try:
        mark = strict_cbor.decode(end.payload)
        shapes.END_MARK(mark, "end")
    except ValueError as fault:
        raise Refusal("B-8", end.offset, "medium", f"not an end frame: {fault}") from None
    if mark != {"bytes": end.offset, "frames": count}:
        raise Refusal(
            "B-8", end.offset, "medium",
            f"the end stands at byte {end.offset} after {count} frames, but says {mark['bytes']} and {mark['frames']}",
        )
