"""What a carrylog item must look like once decoded, after carrylog.cddl and SPEC.md chapters 2 to 12.

Each shape is a function that takes a value and a path and raises ShapeFault. Written by hand from
the CDDL, so that the reader and the general-purpose CDDL validator check each other.
"""

import datetime
import re

import cose_sign1
import strict_cbor

MAX_QUANTITY = 2**53
MAX_INSTANT_MS = 253402207200000
SIGN_OFF_TYPE = "sign-off"


class ShapeFault(ValueError):
    """Which part of an item is not as the CDDL says."""


def _need(holds, path, what):
    if not holds:
        raise ShapeFault(f"{path or 'item'}: {what}")


LINE_REFUSES = [
    (0x0000, 0x001F), (0x007F, 0x009F), (0x00AD, 0x00AD), (0x034F, 0x034F), (0x0600, 0x0605), (0x061C, 0x061C),
    (0x06DD, 0x06DD), (0x070F, 0x070F), (0x0890, 0x0891), (0x08E2, 0x08E2), (0x115F, 0x1160), (0x17B4, 0x17B5),
    (0x180B, 0x180F), (0x200B, 0x200F), (0x2028, 0x202E), (0x2060, 0x206F), (0x3164, 0x3164), (0xD800, 0xF8FF),
    (0xFDD0, 0xFDEF), (0xFE00, 0xFE0F), (0xFEFF, 0xFEFF), (0xFFA0, 0xFFA0), (0xFFF0, 0xFFFB), (0x110BD, 0x110BD),
    (0x110CD, 0x110CD), (0x13430, 0x1343F), (0x1BCA0, 0x1BCA3), (0x1D173, 0x1D17A), (0xE0000, 0x10FFFF),
] + [(plane * 0x10000 + 0xFFFE, plane * 0x10000 + 0xFFFF) for plane in range(17)]
REMARK_REFUSES = [(0x0000, 0x0009), (0x000B, 0x001F), (0x007F, 0x009F), (0x2028, 0x202E), (0x2066, 0x2069)]
WHITE_SPACE = "".join(
    chr(point)
    for first, last in [
        (0x9, 0xD), (0x20, 0x20), (0x85, 0x85), (0xA0, 0xA0), (0x1680, 0x1680), (0x2000, 0x200A), (0x2028, 0x2029),
        (0x202F, 0x202F), (0x205F, 0x205F), (0x3000, 0x3000),
    ]
    for point in range(first, last + 1)
)


def text(longest, refuses=LINE_REFUSES):
    def shape(value, path):
        _need(isinstance(value, str), path, "not text")
        size = len(value.encode("utf-8"))
        _need(1 <= size <= longest, path, f"not 1 to {longest} bytes long")
        refused = [c for c in value if any(first <= ord(c) <= last for first, last in refuses)]
        _need(not refused, path, f"holds code points that it may not: {refused!r}")
        _need(value == value.strip(WHITE_SPACE), path, "white space at an end")

    return shape


def whole(low, high):
    def shape(value, path):
        _need(type(value) is int and low <= value <= high, path, f"not within {low} to {high}")

    return shape


def octets(count):
    def shape(value, path):
        _need(isinstance(value, bytes) and len(value) == count, path, f"not {count} bytes")

    return shape


def literal(*allowed):
    def shape(value, path):
        _need(type(value) is type(allowed[0]) and value in allowed, path, f"not one of {allowed}")

    return shape


def many(inner, least=0, most=None):
    def shape(value, path):
        _need(isinstance(value, list), path, "not an array")
        _need(len(value) >= least and (most is None or len(value) <= most), path, "wrong count")
        for index, element in enumerate(value):
            inner(element, f"{path}[{index}]")

    return shape


def octets_of_text(least, most):
    """A text of so many bytes, whatever its characters."""

    def shape(value, path):
        _need(isinstance(value, str) and least <= len(value.encode()) <= most, path, "not a text of that length")

    return shape


def row(*columns):
    """An array with exactly these elements."""

    def shape(value, path):
        _need(isinstance(value, list) and len(value) == len(columns), path, "not an array of that length")
        for index, (inner, element) in enumerate(zip(columns, value)):
            inner(element, f"{path}[{index}]")

    return shape


def ascending_hashes(least, most):
    """An array of hashes, each greater by bytes than the one before it."""

    def shape(value, path):
        many(HASH, least, most)(value, path)
        _need(all(one < other for one, other in zip(value, value[1:])), path, "not strictly ascending")

    return shape


def record(**fields):
    """A map with exactly these text keys; a key ending in `_opt` may be absent."""
    required = {k: s for k, s in fields.items() if not k.endswith("_opt")}
    optional = {k.removesuffix("_opt"): s for k, s in fields.items() if k.endswith("_opt")}

    def shape(value, path):
        _need(isinstance(value, dict), path, "not a map")
        for key in required:
            _need(key in value, path, f"`{key}` is missing")
        for key, inner in value.items():
            _need(key in required or key in optional, path, f"`{key}` is unknown")
            (required.get(key) or optional[key])(inner, f"{path}.{key}")

    return shape


def variant(*bare, **arms):
    """A bare name, or a map with one key that says how its value is read."""

    def shape(value, path):
        if isinstance(value, str):
            _need(value in bare, path, f"`{value}` is unknown")
            return
        _need(isinstance(value, dict) and len(value) == 1, path, "not a map of one key")
        (key, inner), = value.items()
        _need(key in arms, path, f"`{key}` is unknown")
        arms[key](inner, f"{path}.{key}")

    return shape


def date(value, path):
    _need(isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value), path, "not a date")
    try:
        day = datetime.date.fromisoformat(value)
    except ValueError:
        raise ShapeFault(f"{path}: no such day") from None
    _need(day.year >= 1970, path, "before 1970")


def public_key(value, path):
    _need(isinstance(value, bytes) and cose_sign1.is_public_key(value), path, "not an Ed25519 key")


def sign1_bytes(value, path):
    _need(isinstance(value, bytes), path, "not a byte string")
    try:
        sign1 = cose_sign1.parse_carrylog_sign1(value, SIGN_OFF_TYPE)
        SIGN_OFF_CONTENT(strict_cbor.decode(sign1.payload), f"{path}.payload")
    except ValueError as fault:
        raise ShapeFault(f"{path}: {fault}") from None


def extension(value, path):
    _need(isinstance(value, dict) and value, path, "not a map with a field")
    _need(len(value) <= 16, path, "more than 16 fields")
    for key, inner in value.items():
        _need(isinstance(key, str) and re.fullmatch("[a-z][a-z0-9_]{0,31}", key), path, "not a field's name")
        if type(inner) is int:
            INT64(inner, f"{path}.{key}")
        elif type(inner) is not bool:
            text(400)(inner, f"{path}.{key}")


def anything(_value, _path):
    return None


HASH = octets(32)
NAME, REMARK, PLATE = text(96), text(2000, REMARK_REFUSES), text(64)
INSTANT = whole(0, MAX_INSTANT_MS)
MAGNITUDE = whole(0, MAX_QUANTITY)
SIGNED = whole(-MAX_QUANTITY, MAX_QUANTITY)
UINT = whole(0, 2**64 - 1)
INT = whole(-(2**64), 2**64 - 1)
INT64 = whole(-(2**63), 2**63 - 1)
UINT32 = whole(0, 2**32 - 1)
UINT16 = whole(0, 65535)
SLOT = UINT16
ONE = literal(1)

LOG_SIZE = whole(1, 2**53)
ENTRY_REF = record(log=HASH, entry=HASH, index=UINT)
POSITION = record(log=HASH, size=LOG_SIZE)
UNIT = record(mfr=PLATE, part=PLATE, serial=PLATE)

# Frame payloads (SPEC.md chapters 3, 9).
SEGMENT_HEADER = record(v=ONE, to=UINT, key=public_key, log=HASH, **{"from": UINT})
RETURN_HEADER = record(v=ONE, log_opt=HASH)
HISTORY_HEADER = record(v=ONE, unit=UNIT)
ENCRYPTED_HEADER = record(v=ONE, recipients=ascending_hashes(1, 16))
HEADER = variant(**{
    "segment": SEGMENT_HEADER, "return": RETURN_HEADER, "unit_history": HISTORY_HEADER, "encrypted": ENCRYPTED_HEADER,
})
FRONTIER = many(HASH, most=64)
END_MARK = record(bytes=UINT, frames=UINT)
BYTES = lambda value, path: _need(isinstance(value, bytes), path, "not a byte string")  # noqa: E731
RECOVERY = record(
    v=ONE, at=UINT, group=UINT, index=UINT, shard=BYTES, table=BYTES, whole=HASH, length=UINT, percent=whole(1, 100),
)
RECEIPT_SLIP = record(seal=BYTES, receipt=BYTES)
PROVEN_ENTRY = record(seal=HASH, entry=BYTES, proof=BYTES)
SEAL_CONTENT = record(log=HASH, seq=UINT, prev_opt=HASH, root=HASH, seen_opt=HASH, size=UINT, at_ms=INSTANT)
FLEET_SIZE = whole(2, 2**53)
HEAD = record(head=BYTES, proofs_opt=many(BYTES, least=1, most=16), checkpoint_opt=octets_of_text(1, 8192))
FLEET_HEAD_CONTENT = record(
    v=ONE, log=HASH, root=HASH, size=whole(1, 2**53), at_ms=INSTANT,
    chains_opt=many(row(HASH, UINT, HASH), least=1, most=16),
)

# Statements (SPEC.md chapter 8).
METHOD = literal("ac", "dc_step", "dc_two_step")
SIGN_ROLE = literal("technician", "inspector", "certifying_staff", "quality")
ENROLMENT_FIELDS = record(
    key=public_key, from_opt=date, name=NAME, role=literal("station", "server", "person", "witness"),
    roles_opt=many(SIGN_ROLE, least=1, most=4), until_opt=date, succeeds_opt=POSITION,
    authorisation_opt=record(kind=NAME, number=NAME),
)


def ENROLMENT(value, path):
    """Roles and an authorisation are for persons, a log that goes on is for stations and servers."""
    ENROLMENT_FIELDS(value, path)
    role, roles = value["role"], value.get("roles", [])
    _need(role == "person" or not (roles or "authorisation" in value), path, f"sign-off roles of a {role}")
    _need(role in ("station", "server") or "succeeds" not in value, path, f"a {role} has no log to continue")
    _need(len(set(roles)) == len(roles), path, "a role twice")


LIMITS_SHEET = record(
    mfr=PLATE, part=PLATE, manual=record(revision=NAME, reference=NAME),
    storage_opt=record(soc_ppm=MAGNITUDE, valid_days=UINT32, tolerance_ppm=MAGNITUDE),
    cautions_opt=many(REMARK, least=1),
    intervals=record(days_opt=UINT32, first_days_opt=UINT32, flight_minutes_opt=MAGNITUDE),
    resistance_opt=many(record(
        method=METHOD, max_uohm=MAGNITUDE, new_uohm_opt=MAGNITUDE,
        max_temperature_mk=MAGNITUDE, min_temperature_mk=MAGNITUDE,
    ), least=1),
    valid_from=date, valid_until_opt=date, complementary_opt=many(REMARK, least=1),
    end_voltage_uv=SIGNED, rated_capacity_uah=MAGNITUDE, minimum_capacity_uah=MAGNITUDE,
    test_max_temperature_mk=MAGNITUDE, test_min_temperature_mk=MAGNITUDE,
    air_shipment_max_soc_ppm_opt=MAGNITUDE, reference_temperature_mk_opt=MAGNITUDE,
    commissioning_capacity_uah_opt=MAGNITUDE, recomputation_tolerance_ppm_opt=MAGNITUDE,
    capacity_coefficient_ppm_per_k_opt=INT64,
)
STATEMENT_BODY = variant(
    founded=record(name=NAME),
    enrolled=ENROLMENT,
    revoked=record(log=HASH, root_opt=HASH, reason=REMARK, from_size=UINT),
    ended=record(who=HASH, reason=REMARK, **{"from": date}),
    withdrawn=record(reason=REMARK, statement=HASH),
    decided=record(accept=literal(True, False), reason=REMARK, proposal=ENTRY_REF),
    limits=LIMITS_SHEET,
    alias=record(unit=UNIT, same_as=UNIT),
    duplicate_of=record(of=ENTRY_REF, entry=ENTRY_REF, reason=REMARK),
    resolved=record(query=NAME, reason=REMARK),
    branch_chosen=record(log=HASH, root=HASH, size=UINT, reason=REMARK),
    authority_trusted=record(key=public_key, name=NAME, reason=REMARK),
)
STATEMENT_CONTENT = record(
    v=ONE, seq=UINT, body=STATEMENT_BODY, prev_opt=HASH, at_ms=INSTANT, authority=HASH,
)

# Entries (SPEC.md chapter 4).
ON_WING = record(position=text(32), registration=NAME)
DECLARED = record(
    soc_ppm_opt=MAGNITUDE, energy_uwh_opt=MAGNITUDE,
    resistance_opt=record(uohm=MAGNITUDE, method=METHOD, frequency_millihertz_opt=UINT),
    capacity_uah_opt=MAGNITUDE, end_voltage_uv_opt=SIGNED,
)
PHASE = record(
    kind=literal("charge", "discharge", "rest"), row_last=UINT, row_first=UINT, charge_uah=MAGNITUDE,
    energy_uwh=MAGNITUDE, duration_ms=MAGNITUDE, end_voltage_uv=SIGNED, start_voltage_uv=SIGNED,
)
COMPUTED = record(
    by=text(64), phases_opt=many(PHASE, least=1, most=64),
    refused_opt=many(record(why=text(400), result=text(64)), least=1),
    efficiency_opt=many(record(
        energy_ppm=MAGNITUDE, phase_last=UINT16, phase_first=UINT16, coulombic_ppm=MAGNITUDE,
    ), least=1),
    energy_uwh_opt=MAGNITUDE,
    resistance_opt=record(row=UINT, uohm=MAGNITUDE, delay_ms=MAGNITUDE, std_uohm_opt=MAGNITUDE),
    capacity_uah_opt=MAGNITUDE, end_voltage_uv_opt=SIGNED, energy_std_uwh_opt=MAGNITUDE,
    governing_phase_opt=UINT16, capacity_std_uah_opt=MAGNITUDE, charge_20_to_90_ms_opt=MAGNITUDE,
    temperature_max_mk_opt=MAGNITUDE, temperature_min_mk_opt=MAGNITUDE, temperature_mean_mk_opt=MAGNITUDE,
)
ASSESSMENT = record(
    next_opt=many(literal(
        "charge_for_installation", "storage_charge", "complementary_tests", "repeat_test", "quarantine",
    ), least=1),
    sheet=HASH, reasons=many(REMARK),
    verdict=literal("within_limits", "inside_guard_band", "outside_limits", "not_assessable"),
)
TEST = record(
    slot_opt=SLOT, unit=UNIT, trace_opt=record(rows=UINT, sha256=HASH), faults_opt=many(text(64), least=1),
    on_wing_opt=ON_WING,
    purpose=literal(
        "commissioning", "periodic_check", "storage_charge", "charge", "discharge", "status_check",
        "complementary_test",
    ),
    computed_opt=COMPUTED, declared=DECLARED, ended_ms=INSTANT, ambient_mk_opt=MAGNITUDE,
    started_ms=INSTANT, assessment_opt=ASSESSMENT, flight_cycles_opt=UINT, flight_minutes_opt=MAGNITUDE,
    unit_temperature_mk_opt=MAGNITUDE,
)
UNIT_EVENT = record(
    unit=UNIT,
    event=variant(
        "commissioned", "storage_charge_due",
        installed=ON_WING, removed=record(reason=REMARK, registration=NAME), received=record(place=NAME),
        shipped=record(to=NAME, soc_ppm_opt=MAGNITUDE), stored=record(place=NAME),
        repaired=record(work=REMARK), retired=record(reason=REMARK), transferred=record(to=NAME),
    ),
    happened_ms=INSTANT, flight_cycles_opt=UINT, flight_minutes_opt=MAGNITUDE,
)
ACCURACY = record(
    time_ppm=MAGNITUDE, current_ppm=MAGNITUDE, voltage_ppm=MAGNITUDE, temperature_mk=MAGNITUDE,
    current_offset_ua=SIGNED, voltage_offset_uv=SIGNED, time_resolution_ms_opt=MAGNITUDE,
    current_resolution_ua_opt=SIGNED, voltage_resolution_uv_opt=SIGNED,
)
STATION_EVENT = record(
    event=variant(
        opened=record(name=NAME, slots=SLOT, continues_opt=HASH),
        calibrated=record(due=date, accuracy_opt=ACCURACY, attachment_opt=HASH, certificate=NAME),
        clock_set=record(after_ms=INSTANT, before_ms=INSTANT),
        memory_emptied=record(slots=many(SLOT)),
        key_succeeded=record(reason=REMARK, successor=HASH),
    ),
    happened_ms=INSTANT,
)
CORRECTION = record(
    reason=REMARK, supersedes=ENTRY_REF, replacement=variant("withdrawn", test=TEST, unit_event=UNIT_EVENT),
)
SIGN_OFF_CONTENT = record(
    role=SIGN_ROLE, at_ms=INSTANT, entry=ENTRY_REF, meaning=REMARK,
)
BODIES = {
    "test": TEST,
    "unit_event": UNIT_EVENT,
    "station_event": STATION_EVENT,
    "correction": CORRECTION,
    "sign_off": record(sign1=sign1_bytes),
}
ENVELOPE = record(
    v=UINT, by=NAME, ext_opt=extension, body=anything, kind=text(32), note_opt=REMARK, at_ms=INSTANT,
    clock=literal("checked", "running", "doubtful"),
)


def entry_kind(value):
    """Checks a decoded entry and returns its kind, or None if version or kind are unknown."""
    ENVELOPE(value, "entry")
    kind = value["kind"] if value["v"] == 1 else None
    if kind not in BODIES:
        return None
    BODIES[kind](value["body"], f"entry.{kind}")
    return kind
