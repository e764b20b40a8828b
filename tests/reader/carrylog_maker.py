"""Makes small carrylog files for tests, rules kept or broken on purpose, from SPEC.md alone.

Keys are those of seeds 01…01, 02…02 and so on; all names are invented and protect nothing.
"""

from hashlib import sha256

import cbor2
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

import carrylog_frames as frames
import carrylog_recovery
import carrylog_shards
import cose_sign1
import rfc9162_tree as tree

T0_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
AUTHORITY, STATION, SERVER, PARTNER = 1, 2, 3, 5
UNIT = {"mfr": "FJ001", "part": "FB-44-2", "serial": "SN-0001"}


def secret(seed):
    return Ed25519PrivateKey.from_private_bytes(bytes([seed]) * 32)


def public(seed):
    return secret(seed).public_key().public_bytes_raw()


def key_name(seed):
    return cose_sign1.key_name(public(seed))


def pack(value):
    """Deterministic CBOR; maps here never mix key types, so canonical order is that of RFC 8949."""
    return cbor2.dumps(value, canonical=True)


def sign(seed, content, payload):
    protected = pack({1: -19, 3: f"application/vnd.carrylog.{content}+cbor", 4: key_name(seed)})
    signature = secret(seed).sign(cose_sign1.to_be_signed(protected, payload))
    return cbor2.dumps(cbor2.CBORTag(18, [protected, {}, payload, signature]))


class Chain:
    """An authority's statements."""

    def __init__(self, seed=AUTHORITY):
        self.seed, self.statements, self.previous = seed, [], None
        self.state({"founded": {"name": "Fjordline Air Rescue records office"}})

    def state(self, body):
        content = {"v": 1, "seq": len(self.statements), "body": body, "at_ms": T0_MS, "authority": key_name(self.seed)}
        if self.previous:
            content["prev"] = self.previous
        payload = pack(content)
        self.previous = sha256(payload).digest()
        self.statements.append(sign(self.seed, "statement", payload))
        return self

    def enrol(self, seed, role="station", **dates):
        return self.state({"enrolled": {"key": public(seed), "name": f"Key {seed}", "role": role, **dates}})

    def revoke(self, seed, from_size):
        return self.state({"revoked": {"log": key_name(seed), "reason": "Lost.", "from_size": from_size}})

    def trust(self, seed):
        return self.state({"authority_trusted": {"key": public(seed), "name": "Partner", "reason": "Units go there."}})

    def alias(self, unit, same_as):
        return self.state({"alias": {"unit": unit, "same_as": same_as}})


def entry(kind, body, **more):
    return pack({"v": 1, "by": "Tech 7 (invented)", "body": body, "kind": kind, "at_ms": T0_MS, "clock": "checked", **more})


def test_body(unit=None, **more):
    return {"unit": unit or UNIT, "purpose": "charge", "declared": {}, "ended_ms": T0_MS, "started_ms": T0_MS, **more}


def a_test(unit=None, **more):
    return entry("test", test_body(unit, **more))


def opened():
    return entry("station_event", {"event": {"opened": {"name": "Bay 1", "slots": 4}}, "happened_ms": T0_MS})


def place(of, index=0, seed=STATION):
    """A reference to an entry of a log at its place."""
    return {"log": key_name(seed), "entry": tree.leaf_hash(of), "index": index}


def correction(of, replacement="withdrawn", index=0):
    body = {"reason": "Wrong slot.", "supersedes": place(of, index), "replacement": replacement}
    return entry("correction", body)


def sign_off(of, seed=9, index=0, **changes):
    content = {"role": "inspector", "at_ms": T0_MS, "entry": place(of, index), "meaning": "Seen."}
    return entry("sign_off", {"sign1": sign(seed, "sign-off", pack({**content, **changes}))})


def seal(leaves, seed=STATION, seq=0, prev=None, at_ms=T0_MS):
    content = {"log": key_name(seed), "seq": seq, "root": tree.root_of(leaves), "size": len(leaves), "at_ms": at_ms}
    if prev:
        content["prev"] = prev
    return sign(seed, "seal", pack(content))


def seal_name(sealed):
    return sha256(cose_sign1.parse_sign1(sealed).payload).digest()


def frame(kind, payload):
    return b"\x83" + bytes([kind]) + cbor2.dumps(payload) + b"\x58\x20" + sha256(bytes([kind]) + payload).digest()


def join(parts):
    """A file of these frames with an end frame that fits."""
    data = frames.MAGIC + b"".join(frame(*part) for part in parts)
    return data + frame(frames.END, pack({"bytes": len(data), "frames": len(parts)}))


def recovery(region, percent):
    """What each recovery frame of a region holds, but for its offset."""
    shards = carrylog_shards.demanded_shards(region, percent)
    found = []
    for index, group in carrylog_recovery.demanded(len(region), percent):
        shard, table = shards[group.number, index]
        found.append({
            "v": 1, "group": group.number, "index": index, "shard": shard, "table": table, "percent": percent,
            "whole": carrylog_recovery.digest_of_digests(region, len(region)), "length": len(region),
        })
    return found


def with_recovery(region, contents, shift=0):
    """A file with recovery frames that say they stand `shift` bytes further than they do."""
    data = region
    for content in contents:
        data += frame(frames.RECOVERY, pack({**content, "at": len(data) + shift}))
    return data


def split(data):
    """Type and payload of each frame of a file but the end."""
    found, at = [], 3
    while at < len(data):
        one, at = frames.read_frame(data, at)
        if one.type != frames.END:
            found.append((one.type, one.payload))
    return found


def segment(statements, entries, start=0, seals=None, at_ms=T0_MS):
    """The frames of a segment with one seal at its end, or with `seals` by the size they follow."""
    leaves = [tree.leaf_hash(e) for e in entries]
    before = tree.Frontier()
    for leaf in leaves[:start]:
        before.push(leaf)
    header = {"v": 1, "to": len(entries), "key": public(STATION), "log": key_name(STATION), "from": start}
    parts = [(frames.HEADER, pack({"segment": header}))]
    parts += [(frames.STATEMENT, statement) for statement in statements]
    parts.append((frames.FRONTIER, pack(before.peaks)))
    seals = seals or {len(entries): seal(leaves, at_ms=at_ms)}
    for size in range(start, len(entries) + 1):
        if size > start:
            parts.append((frames.ENTRY, entries[size - 1]))
        if size in seals:
            parts.append((frames.SEAL, seals[size]))
    return parts


def history(statements, entries, unit=None, receipts=(), order=None):
    """The frames of a unit history: all entries of a log, proven to one seal, in this order."""
    leaves = [tree.leaf_hash(e) for e in entries]
    sealed = seal(leaves)
    parts = [(frames.HEADER, pack({"unit_history": {"v": 1, "unit": unit or UNIT}}))]
    parts += [(frames.STATEMENT, statement) for statement in statements]
    parts.append((frames.SEAL, sealed))
    parts += [(frames.RECEIPT, receipt) for receipt in receipts]
    for i in range(len(entries)) if order is None else order:
        proof = pack([len(leaves), i, tree.inclusion_path(i, leaves)])
        parts.append((frames.PROVEN, pack({"seal": seal_name(sealed), "entry": entries[i], "proof": proof})))
    return parts


def receipt(sealed, seed=SERVER, issued_s=T0_MS // 1000):
    """A receipt in a fleet log of two leaves: its opening and this seal."""
    payload = cose_sign1.parse_sign1(sealed).payload
    opening, root = _fleet_of(payload, seed)
    # Keys 1, 4, 15, 395 and claims 6, -65537 in this order are in the order of RFC 8949 section 4.2.1.
    protected = cbor2.dumps({1: -19, 4: key_name(seed), 15: {6: issued_s, -65537: [key_name(seed), 2]}, 395: 1})
    signature = secret(seed).sign(cose_sign1.to_be_signed(protected, root))
    proofs = {396: {-1: [pack([2, 1, [opening]])]}}
    return pack({"seal": payload, "receipt": cbor2.dumps(cbor2.CBORTag(18, [protected, proofs, None, signature]))})


def _fleet_of(payload, seed):
    """Leaf hash of the opening and the root over it and the seal with this payload."""
    opened = {"v": 1, "key": public(seed), "log": key_name(seed), "at_ms": T0_MS}
    opening = tree.leaf_hash(pack({"opened": opened}))
    return opening, tree.node_hash(opening, tree.leaf_hash(bytes.fromhex("a1647365616c") + payload))


def head(slip, seed=SERVER, at_ms=T0_MS):
    """A frame of type 12 with the head of the fleet log that `receipt` made this slip in."""
    _, root = _fleet_of(cbor2.loads(slip)["seal"], seed)
    content = {"v": 1, "log": key_name(seed), "root": root, "size": 2, "at_ms": at_ms}
    return pack({"head": sign(seed, "fleet-head", pack(content))})


def return_bundle(statements, receipts, seed=STATION):
    parts = [(frames.HEADER, pack({"return": {"v": 1, "log": key_name(seed)}}))]
    parts += [(frames.STATEMENT, statement) for statement in statements]
    parts += [(frames.HEAD, head(slip)) for slip in receipts[:1]]
    return parts + [(frames.RECEIPT, slip) for slip in receipts]
