"""Traces: the zstd frame, the canonical form of SPEC.md chapter 5, and the charge it holds (rule X-1)."""

import math
from fractions import Fraction

import cbor2
import zstandard

import carrylog_shapes as shapes
import strict_cbor

MAX_EXPANDED = 64 << 20
MAX_WINDOW = 8 << 20
MAX_ROWS = 1 << 24
# Typed arrays (RFC 8746): tag by width in bytes, narrowest first.
TAG_BY_WIDTH = {1: 72, 2: 77, 4: 78, 8: 79}
WIDTH_BY_TAG = {tag: width for width, tag in TAG_BY_WIDTH.items()}

REQUIRED_COLUMNS = ["time_us", "current_ua", "voltage_uv"]
COLUMN_ORDER = (
    REQUIRED_COLUMNS
    + [f"temperature_{n}_mk" for n in range(1, 6)]
    + [f"cell_{n:02}_voltage_uv" for n in range(1, 33)]
    + ["step", "cycle"]
)


class TraceFault(ValueError):
    """Why a trace is refused (X-1)."""


def expand(data):
    """The bytes inside the one zstd frame that `data` must be."""
    if data[:4] != zstandard.FRAME_HEADER:
        raise TraceFault("not a zstd frame")
    try:
        frame = zstandard.get_frame_parameters(data)
    except zstandard.ZstdError as error:
        raise TraceFault(f"not a zstd frame: {error}") from None
    if frame.content_size == zstandard.CONTENTSIZE_UNKNOWN:
        raise TraceFault("the content size is not stated")
    if frame.content_size > MAX_EXPANDED:
        raise TraceFault("expands to more than 64 MiB")
    if frame.window_size > MAX_WINDOW:
        raise TraceFault("the window is larger than 8 MiB")
    if frame.dict_id:
        raise TraceFault("needs a dictionary")
    decompressor = zstandard.ZstdDecompressor(max_window_size=MAX_WINDOW).decompressobj()
    try:
        content = decompressor.decompress(data)
    except zstandard.ZstdError as error:
        raise TraceFault(f"does not expand: {error}") from None
    if not decompressor.eof or len(content) != frame.content_size:
        raise TraceFault("the zstd frame ends too early")
    if decompressor.unused_data:
        raise TraceFault("bytes after the zstd frame")
    return content


def read_columns(content):
    """The columns of a trace, name to list of integers; refuses every form but the canonical one."""
    try:
        trace = strict_cbor.decode(content, tags=WIDTH_BY_TAG.keys())
        shapes.record(v=shapes.ONE, rows=shapes.whole(2, MAX_ROWS), columns=shapes.many(_column, 3, 40))(
            trace, "trace"
        )
    except ValueError as fault:
        raise TraceFault(str(fault)) from None
    rows = trace["rows"]
    columns = {}
    for column in trace["columns"]:
        name = column["name"]
        if name in columns:
            raise TraceFault(f"column {name} stands twice")
        columns[name] = _values(column, rows)
    if [name for name in COLUMN_ORDER if name in columns] != list(columns):
        raise TraceFault("columns out of order or of an unknown name")
    if list(columns)[:3] != REQUIRED_COLUMNS:
        raise TraceFault("time, current and voltage are always there")
    time = columns["time_us"]
    if any(later < earlier for earlier, later in zip(time, time[1:])):
        raise TraceFault("time runs backwards")
    if write_columns(columns) != content:
        raise TraceFault("not in the canonical form")
    return columns


def _column(value, path):
    shapes.record(
        name=shapes.literal(*COLUMN_ORDER), step=shapes.whole(1, 2**64 - 1), delta=_typed_array, first=shapes.INT
    )(value, path)


def _typed_array(value, path):
    if not isinstance(value, cbor2.CBORTag) or not isinstance(value.value, bytes):
        raise shapes.ShapeFault(f"{path}: not a typed array")


def _values(column, rows):
    width = WIDTH_BY_TAG[column["delta"].tag]
    raw = column["delta"].value
    if len(raw) != (rows - 1) * width:
        raise TraceFault(f"column {column['name']} does not hold rows - 1 differences")
    values = [column["first"]]
    for at in range(0, len(raw), width):
        delta = int.from_bytes(raw[at : at + width], "little", signed=True)
        values.append(values[-1] + delta * column["step"])
    return values


def write_columns(columns):
    """The canonical form of columns, written from the words of SPEC.md chapter 5."""
    written = []
    for name, values in columns.items():
        differences = [later - earlier for earlier, later in zip(values, values[1:])]
        step = math.gcd(*differences) or 1
        deltas = [difference // step for difference in differences]
        width = next(
            (w for w in TAG_BY_WIDTH if all(-(1 << (8 * w - 1)) <= d < 1 << (8 * w - 1) for d in deltas)), None
        )
        if width is None:
            raise TraceFault(f"column {name} has a difference beyond 64 bits")
        raw = b"".join(d.to_bytes(width, "little", signed=True) for d in deltas)
        written.append(
            {"name": name, "step": step, "delta": cbor2.CBORTag(TAG_BY_WIDTH[width], raw), "first": values[0]}
        )
    rows = len(next(iter(columns.values())))
    return cbor2.dumps({"v": 1, "rows": rows, "columns": written}, canonical=True)


def charge_uah(columns):
    """Charge in and out of the unit by the trapezoid rule over the whole trace, in uAh, rounded.

    Each interval counts to the side that the mean of its two currents points to.
    """
    into, out = Fraction(0), Fraction(0)
    time, current = columns["time_us"], columns["current_ua"]
    for i in range(1, len(time)):
        part = Fraction((time[i] - time[i - 1]) * (current[i] + current[i - 1]), 2 * 3_600_000_000)
        if part >= 0:
            into += part
        else:
            out -= part
    return {"charged_uah": round(into), "discharged_uah": round(out)}
