"""An independent reader of carrylog files, written from SPEC.md, carrylog.cddl and the RFCs alone.

Shares no code with the project's own reader. Uses general-purpose libraries for CBOR, Ed25519 and
zstd; owns every rule. Command line:

    carrylog_reader.py verify FILE --authority HEX|JSONFILE [--traces]
    carrylog_reader.py fleet-head FILE --key HEX

`verify` prints a verdict as JSON and exits with 0 if the file is accepted, 1 if it is refused.
"""

import argparse
import json
import sys
from pathlib import Path

import carrylog_frames as frames
import carrylog_heads
import carrylog_receipts
import carrylog_recovery
import carrylog_shapes as shapes
import carrylog_trace
import cose_sign1
import receipt_check
import rfc9162_tree as tree
import strict_cbor
from carrylog_frames import Refusal
from carrylog_trust import Trust, comparable

MAX_SEGMENT_ENTRIES = 2**32
SEALED_PART = 262_144


def place(reference):
    """An entry-ref as a value that can be compared."""
    return reference["log"], reference["index"], reference["entry"]


class Entry:
    """An entry's bytes read by rule E-1, with the references other rules need."""

    def __init__(self, data, offset, index=None):
        try:
            if len(data) > frames.LIMITS[frames.ENTRY]:
                raise ValueError("longer than 64 KiB")
            value = strict_cbor.decode(data)
            self.kind = shapes.entry_kind(value)
        except ValueError as fault:
            raise Refusal("E-1", offset, "maker", str(fault), index) from None
        self.id, self.index = tree.leaf_hash(data), index
        self.value = value
        self.body = value["body"]

    def units(self):
        return [comparable(self.body["unit"])] if self.kind in ("test", "unit_event") else []

    def concerns(self):
        """The entry that a correction or sign-off is about, at its place: log, index, name."""
        if self.kind == "correction":
            return place(self.body["supersedes"])
        if self.kind == "sign_off":
            sign1 = cose_sign1.parse_sign1(self.body["sign1"])
            return place(strict_cbor.decode(sign1.payload)["entry"])
        return None

    def traces(self):
        """The traces it names with their number of rows; a correction's new content names them too."""
        tests = [self.body] if self.kind == "test" else []
        if self.kind == "correction" and isinstance(self.body["replacement"], dict):
            tests.append(self.body["replacement"].get("test", {}))
        return {test["trace"]["sha256"]: test["trace"]["rows"] for test in tests if "trace" in test}


class Reader:
    """One pass over a file. `use_traces` also reads the values of traces (rule X-1, second part)."""

    def __init__(self, data, chosen_keys, use_traces=False, kept_heads=()):
        self.data = data
        self.kept = [carrylog_heads.parse_head(signed)[0] for signed in kept_heads]
        self.heads = []
        self.trust = Trust(chosen_keys)
        self.use_traces = use_traces
        # A file that breaks no other rule is not damaged: T-2 and T-3 are said last.
        self.trust_refusal = None
        self.named_traces = {}
        self.verdict = {"kind": None, "log": None, "entries": 0, "root": None, "seals": [], "receipts": [], "traces": 0}

    def read(self):
        """The verdict on an accepted file. Raises Refusal."""
        self.frames = frames.read_frames(self.data)
        self.frame = next(self.frames)
        header = self._header()
        (kind, content), = header.items()
        self.verdict["kind"] = kind
        self._next()
        if kind == "encrypted":
            self._encrypted(content)
        else:
            self._statements()
            {"segment": self._segment, "return": self._return, "unit_history": self._history}[kind](content)
        if self.frame.type != frames.END:
            raise self._misplaced()
        recovery = carrylog_recovery.check_after_end(self.data, self.frame.end)
        self.verdict["recovery_percent"] = recovery[0]["percent"] if recovery else None
        if self.trust_refusal:
            raise self.trust_refusal
        self.verdict["statements"] = len(self.trust.statements)
        self.verdict["statements_passed_over"] = self.trust.passed_over
        self.verdict["notes"] = self.trust.chain_notes()
        return self.verdict

    def _next(self):
        self.frame = next(self.frames)

    def _refuse(self, rule, why, fault="maker", entry=None):
        return Refusal(rule, self.frame.offset, fault, str(why), entry)

    def _misplaced(self):
        return self._refuse("B-7", f"a frame of type {self.frame.type} ({self.frame.name}) has no place here")

    def _distrust(self, rule, why):
        self.trust_refusal = self.trust_refusal or self._refuse(rule, why, "trust")

    def _header(self):
        try:
            header = strict_cbor.decode(self.frame.payload)
            shapes.HEADER(header, "header")
            if not isinstance(header, dict):
                raise ValueError("not a map")
            segment = header.get("segment")
            if segment and not 0 < segment["to"] - segment["from"] <= MAX_SEGMENT_ENTRIES:
                raise ValueError("a segment holds 1 to 2^32 entries")
        except ValueError as fault:
            raise self._refuse("B-6", fault) from None
        if segment and cose_sign1.key_name(segment["key"]) != segment["log"]:
            raise self._refuse("L-2", "the log is not the name of the header's key")
        return header

    def _statements(self):
        offsets, payloads, broken = [], [], None
        try:
            while self.frame.type == frames.STATEMENT:
                offsets.append(self.frame.offset)
                payloads.append(self.frame.payload)
                self._next()
        except Refusal as refusal:
            broken = refusal
        # All statements are judged together, but what comes first in the file is said first.
        fault = self.trust.add_all(payloads)
        if fault:
            place, why = fault
            raise Refusal("T-1", offsets[place], "maker", why)
        if broken:
            raise broken

    # ---- segment (SPEC.md 9.1) ----

    def _segment(self, header):
        log = header["log"]
        self.verdict["log"] = log.hex()
        enrolment = self._station(log)
        self._head_list()
        at = self._frontier(header["from"])
        seal = None
        while self.frame.type != frames.END:
            if self.frame.type == frames.ENTRY and at.size < header["to"]:
                entry = Entry(self.frame.payload, self.frame.offset, at.size)
                self.named_traces.update(entry.traces())
                at.push(entry.id)
                self._sign_off(entry)
                self.verdict["entries"] += 1
            elif self.frame.type == frames.SEAL:
                # Traces may stand between an entry and its seal; S-2 and S-3 tie a seal to its place.
                seal = self._seal(header, at, seal, enrolment)
            elif self.frame.type == frames.TRACE:
                self._trace()
            else:
                raise self._misplaced()
            self._next()
        if seal is None or seal["size"] != header["to"] or at.size != header["to"]:
            raise self._refuse("S-4", f"the segment does not end with a seal of size {header['to']}")
        self.verdict["root"] = at.root().hex()
        self.verdict["revoked_from"] = self.trust.revoked_from(log)

    def _station(self, log):
        enrolment = self.trust.enrolment(log)
        if enrolment is None:
            self._distrust("T-2", f"the key {cose_sign1.show_key_name(log)} is not enrolled")
        elif enrolment.role != "station":
            self._distrust("T-2", f"the key {cose_sign1.show_key_name(log)} is enrolled as {enrolment.role}")
        else:
            self.verdict["station"] = enrolment.name
        return enrolment

    def _sign_off(self, entry):
        """A sign-off that names an enrolled key and does not hold under it is forged (W-1)."""
        if entry.kind != "sign_off":
            return
        sign1 = cose_sign1.parse_sign1(entry.body["sign1"])
        enrolment = self.trust.enrolment(sign1.kid)
        if enrolment and not cose_sign1.sign1_holds(sign1, enrolment.key):
            raise self._refuse("W-1", "the sign-off's signature does not hold", entry=entry.index)

    def _frontier(self, size):
        if self.frame.type != frames.FRONTIER:
            raise self._misplaced()
        try:
            peaks = strict_cbor.decode(self.frame.payload)
            shapes.FRONTIER(peaks, "frontier")
            frontier = tree.Frontier(size, peaks)
        except ValueError as fault:
            raise self._refuse("L-1", fault) from None
        self._next()
        return frontier

    def _seal(self, header, at, previous, enrolment):
        sign1, seal = self._parse_seal()
        if sign1.kid != header["log"] or seal["log"] != header["log"]:
            raise self._refuse("S-1", "the seal is of another log")
        if not cose_sign1.sign1_holds(sign1, header["key"]):
            raise self._refuse("S-1", "the signature does not hold under the log's key")
        self._check_number(seal)
        if previous is None:
            if (header["from"] == 0) != (seal["seq"] == 0):
                raise self._refuse("S-2", f"the first seal of a segment from {header['from']} is number {seal['seq']}")
            if seal["size"] <= header["from"]:
                raise self._refuse("S-2", "the first seal covers no entry of the segment")
        elif seal["seq"] != previous["seq"] + 1 or seal["prev"] != previous["digest"] or seal["size"] <= previous["size"]:
            raise self._refuse("S-2", "the seal does not follow the one before it")
        if seal["size"] != at.size or seal["root"] != at.root():
            raise self._refuse("S-3", f"size or root differ from the {at.size} entries before it")
        if enrolment and not enrolment.covers(seal["at_ms"]):
            self._distrust("T-3", "the seal's time is outside the dates of the enrolment")
        seal["digest"] = frames.sha256(sign1.payload).digest()
        self._note_seal(seal)
        return seal

    def _parse_seal(self):
        try:
            sign1 = cose_sign1.parse_carrylog_sign1(self.frame.payload, "seal")
            seal = strict_cbor.decode(sign1.payload)
            shapes.SEAL_CONTENT(seal, "seal")
        except ValueError as fault:
            raise self._refuse("S-1", f"not a seal: {fault}") from None
        return sign1, seal

    def _check_number(self, seal):
        if (seal["seq"] == 0) != ("prev" not in seal):
            raise self._refuse("S-2", "seal 0, and no other, has no previous seal")

    def _note_seal(self, seal):
        self.verdict["seals"].append({"seq": seal["seq"], "size": seal["size"], "root": seal["root"].hex()})

    # ---- return (SPEC.md 9.2) ----

    def _return(self, header):
        log = header.get("log")
        self.verdict["log"] = log.hex() if log else None
        if self.frame.type == frames.HEAD and log:
            head_at = self.frame.offset
            self._head()
            self._next()
            if self.frame.type == frames.END:
                raise Refusal("F-5", head_at, "maker", "a head without a receipt")
        while self.frame.type == frames.RECEIPT and log:
            receipt = self._receipt(log)
            of_head = [(h.content["log"].hex(), h.content["size"], h.content["root"].hex()) for h in self.heads]
            if of_head != [(receipt["fleet_log"], receipt["fleet_size"], receipt["fleet_root"])]:
                raise self._refuse("F-5", "the receipt is not of the head before it")
            self._next()
        for head in self.heads:
            try:
                carrylog_heads.check_kept(head, self.kept)
            except carrylog_heads.Broken as fault:
                raise Refusal(fault.rule, head_at, "maker", str(fault)) from None

    def _head(self):
        """Reads the head at hand."""
        try:
            self.heads.append(carrylog_heads.check_frame(self.frame.payload, self.trust))
        except carrylog_heads.Broken as fault:
            raise self._refuse(fault.rule, fault) from None
        return self.heads[-1]

    def _head_list(self):
        while self.frame.type == frames.HEAD:
            self._head()
            try:
                carrylog_heads.check_list(self.heads)
            except carrylog_heads.Broken as fault:
                raise self._refuse(fault.rule, fault) from None
            self._next()

    def _receipt(self, log=None):
        """Notes what the receipt at hand proves; only a return says which log it must be for."""
        try:
            receipt = carrylog_receipts.check_slip(self.frame.payload, self.trust, log)
        except carrylog_receipts.ServerInQuestion as fault:
            raise self._refuse("R-1", fault, "trust") from None
        except carrylog_receipts.Broken as fault:
            raise self._refuse(fault.rule, fault) from None
        except (receipt_check.ReceiptFault, ValueError) as fault:
            raise self._refuse("R-1", fault) from None
        self.verdict["receipts"].append(receipt)
        return receipt

    # ---- unit history (SPEC.md 9.3) ----

    def _history(self, header):
        self._head_list()
        seals = {}
        while self.frame.type == frames.SEAL:
            seal = self._foreign_seal()
            seals[seal["digest"]] = seal
            self._next()
        while self.frame.type == frames.RECEIPT:
            self._receipt()
            self._next()
        names = self.trust.same_units(header["unit"])
        held, waiting = set(), []
        while self.frame.type != frames.END:
            if self.frame.type == frames.TRACE:
                self._trace()
            elif self.frame.type == frames.PROVEN:
                entry, log = self._proven(seals)
                held.add((log, entry.index, entry.id))
                self._sign_off(entry)
                self.named_traces.update(entry.traces())
                target = entry.concerns()
                if target is not None:
                    waiting.append((self.frame.offset, target))
                elif entry.kind != "station_event" and not names.intersection(entry.units()):
                    raise self._refuse("H-2", "an entry that does not concern the unit")
                self.verdict["entries"] += 1
            else:
                raise self._misplaced()
            self._next()
        for offset, target in waiting:
            if target not in held:
                raise Refusal("H-2", offset, "maker", "a correction or sign-off of an entry that is not in the file")

    def _foreign_seal(self):
        """A seal of any enrolled station: its key comes from the enrolment, so its log needs one."""
        sign1, seal = self._parse_seal()
        if sign1.kid != seal["log"]:
            raise self._refuse("S-1", "the seal is of another log than its key's")
        enrolment = self._station(seal["log"])
        if enrolment:
            if not cose_sign1.sign1_holds(sign1, enrolment.key):
                raise self._refuse("S-1", "the signature does not hold under the log's key")
        self._check_number(seal)
        if enrolment and not enrolment.covers(seal["at_ms"]):
            self._distrust("T-3", "the seal's time is outside the dates of the enrolment")
        seal["digest"] = frames.sha256(sign1.payload).digest()
        self._note_seal(seal)
        return seal

    def _proven(self, seals):
        try:
            proven = strict_cbor.decode(self.frame.payload)
            shapes.PROVEN_ENTRY(proven, "proven entry")
            size, index, path = receipt_check.parse_proof(proven["proof"])
            if len(path) > carrylog_receipts.LONGEST_PATH:
                raise ValueError("a path of more than 63 hashes")
        except ValueError as fault:
            raise self._refuse("H-1", fault) from None
        seal = seals.get(proven["seal"])
        if seal is None:
            raise self._refuse("H-1", "the seal is not in the file")
        leaf = tree.leaf_hash(proven["entry"])
        if size != seal["size"] or tree.root_from_inclusion(leaf, index, size, path) != seal["root"]:
            raise self._refuse("H-1", "the proof does not lead to the root of the seal at its size", entry=index)
        return Entry(proven["entry"], self.frame.offset, index), seal["log"]

    # ---- encrypted bundle (SPEC.md chapter 12): the envelope only, nothing is opened ----

    def _encrypted(self, header):
        self.verdict["recipients"] = [name.hex() for name in header["recipients"]]
        parts, length = 0, SEALED_PART
        while self.frame.type == frames.SEALED:
            if length != SEALED_PART:
                raise self._refuse("B-7", "a sealed frame after one that is not full")
            length = len(self.frame.payload)
            if not 1 <= length <= SEALED_PART:
                raise self._refuse("B-7", f"a sealed frame of {length} bytes")
            parts += 1
            self._next()
        if not parts:
            raise self._misplaced()
        self.verdict["sealed_frames"] = parts
        self.verdict["whole"] = True

    # ---- traces (SPEC.md chapter 5) ----

    def _trace(self):
        try:
            content = carrylog_trace.expand(self.frame.payload)
            name = frames.sha256(content).digest()
            if name not in self.named_traces:
                raise carrylog_trace.TraceFault("no entry before it names this trace")
            if self.use_traces:
                columns = carrylog_trace.read_columns(content)
                if len(columns["time_us"]) != self.named_traces[name]:
                    raise carrylog_trace.TraceFault("not the number of rows that the entry gives")
                self.verdict.setdefault("charge", []).append(carrylog_trace.charge_uah(columns))
        except carrylog_trace.TraceFault as fault:
            raise self._refuse("X-1", fault) from None
        self.verdict["traces"] += 1


def verify(data, chosen_keys, use_traces=False, kept_heads=()):
    """The verdict on a file's bytes, as a JSON-able map; never raises for what the bytes hold."""
    reader = Reader(data, chosen_keys, use_traces, kept_heads)
    try:
        return {"ok": True, **reader.read()}
    except Refusal as refusal:
        return {
            "ok": False, "rule": refusal.rule, "offset": refusal.offset, "class": refusal.fault,
            "entry": refusal.entry, "why": refusal.why, "kind": reader.verdict["kind"], "log": reader.verdict["log"],
        }


def authorities_from(argument):
    """Keys from 64 hex digits or from a JSON file: a list of them, or a map with `authorities`."""
    if len(argument) == 64 and all(c in "0123456789abcdefABCDEF" for c in argument):
        return [bytes.fromhex(argument)]
    listed = json.loads(Path(argument).read_text("utf-8"))
    return [bytes.fromhex(key) for key in (listed["authorities"] if isinstance(listed, dict) else listed)]


def main(arguments=None):
    parser = argparse.ArgumentParser(description="Checks carrylog files, independently of the project.")
    commands = parser.add_subparsers(dest="command", required=True)
    check = commands.add_parser("verify", help="verify a bundle")
    check.add_argument("file", type=Path)
    check.add_argument("--authority", required=True, action="append", help="public key in hex, or a JSON file of keys")
    check.add_argument("--traces", action="store_true", help="also read the values of traces")
    head = commands.add_parser("fleet-head", help="verify a fleet head")
    head.add_argument("file", type=Path)
    head.add_argument("--key", required=True, type=bytes.fromhex, help="the server's public key in hex")
    options = parser.parse_args(arguments)
    try:
        data = options.file.read_bytes()
    except OSError as error:
        verdict = {"ok": False, "rule": "I-1", "offset": None, "class": "medium", "why": str(error)}
    else:
        if options.command == "verify":
            keys = [key for argument in options.authority for key in authorities_from(argument)]
            verdict = verify(data, keys, options.traces)
        else:
            verdict = fleet_head_verdict(data, options.key)
    print(json.dumps(verdict, indent=2, ensure_ascii=False))
    return 0 if verdict["ok"] else 1


def fleet_head_verdict(data, key):
    try:
        content = carrylog_receipts.check_fleet_head(data, key)
    except ValueError as fault:
        return {"ok": False, "why": str(fault)}
    return {"ok": True, **{k: v.hex() if isinstance(v, bytes) else v for k, v in content.items()}}


if __name__ == "__main__":
    sys.exit(main())
