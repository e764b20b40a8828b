"""Recovery data: which frames the layout of SPEC.md chapter 11 demands, and whether they stand there (rule B-9).

Healing is not done here. The shards themselves are computed again in `carrylog_shards`.
"""

from hashlib import sha256
from typing import NamedTuple

import carrylog_frames as frames
import carrylog_shapes as shapes
import strict_cbor
from carrylog_frames import Refusal

GROUP_SHARDS = 128
MAX_GROUPS = 64
MAX_REGION = 2**48
TABLE_DIGEST = 8


def ceil_div(number, by):
    return -(-number // by)


def shard_size(length):
    """S: the smallest of 512 to 8192 with L at most S * S / 64, else 16384."""
    return next((size for size in (512, 1024, 2048, 4096, 8192) if 64 * length <= size * size), 16384)


class Group(NamedTuple):
    """One group: its number, and the data shards it holds in the order of their places."""

    number: int
    data_shards: range


class Band(NamedTuple):
    groups: list
    recovery_shards: int


def bands(length, percent):
    """The bands that a region of this length has at this percentage, in order."""
    size = shard_size(length)
    shards = ceil_div(length, size)
    most = 2**24 // (size * max(2, ceil_div(GROUP_SHARDS * percent, 100)))
    per_band = min(max(most, 1), MAX_GROUPS)
    for number, first in enumerate(range(0, shards, GROUP_SHARDS * per_band)):
        count = min(GROUP_SHARDS * per_band, shards - first)
        groups = ceil_div(count, GROUP_SHARDS)
        yield Band(
            [Group(number * per_band + g, range(first + g, first + count, groups)) for g in range(groups)],
            max(2, ceil_div(ceil_div(count, groups) * percent, 100)),
        )


def demanded(length, percent):
    """Index and group of each recovery frame, in the order of the file."""
    for band in bands(length, percent):
        for index in range(band.recovery_shards):
            for group in band.groups:
                yield index, group


def digest_of_digests(data, length):
    """`whole`: over the digests of all frames of the region, skipped ones and the end included."""
    whole, at = sha256(), len(frames.MAGIC)
    while at < length:
        frame, at = frames.read_frame(data, at)
        whole.update(frame.digest)
    return whole.digest()


def check_after_end(data, length):
    """What stands after the end frame of a region: nothing, or all its recovery frames. Returns their content."""
    at, whole, places, found = length, None, None, []
    while at < len(data):
        frame, after = frames.read_frame(data, at)
        if frame.type != frames.RECOVERY:
            raise Refusal("B-8", at, "maker", f"a {frame.name} after the end")
        try:
            content = strict_cbor.decode(frame.payload)
            shapes.RECOVERY(content, "recovery")
            if whole is None:
                if length > MAX_REGION:
                    raise ValueError("the region is longer than 2^48 bytes")
                whole = digest_of_digests(data, length)
                percent = content["percent"]
                places = demanded(length, percent)
            place = next(places, None)
            if place is None:
                raise ValueError("more recovery frames than the layout demands")
            index, group = place
            wanted = {
                "at": at, "length": length, "percent": percent, "whole": whole, "index": index, "group": group.number,
            }
            for field, value in wanted.items():
                if content[field] != value:
                    raise ValueError(f"`{field}` is not what these bytes and the layout give")
            if len(content["shard"]) != shard_size(length):
                raise ValueError("`shard` is not of the size that the layout gives")
            if len(content["table"]) != TABLE_DIGEST * len(group.data_shards):
                raise ValueError("`table` does not hold one digest for each data shard of its group")
        except Refusal:
            raise
        except ValueError as fault:
            raise Refusal("B-9", at, "maker", str(fault)) from None
        found.append(content)
        at = after
    if places is not None and next(places, None) is not None:
        raise Refusal("B-9", at, "medium", "recovery frames are missing at the end")
    return found
