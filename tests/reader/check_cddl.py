"""Validates what bundles hold against carrylog.cddl with a general-purpose CDDL validator.

The validator is `cddl-verifier`, which knows RFC 8610 and nothing of carrylog. Every frame is
checked as `frame` and its payload as the rule for its type. Files that break the format on purpose
are no use here: the CDDL describes structure, not signatures or order.

    check_cddl.py [BUNDLE ...]     without names: every accepted file of the test vectors
"""

import json
import sys
from collections import Counter
from pathlib import Path

from cddl_verifier import Validator

import carrylog_frames as frames
import carrylog_shapes
import carrylog_trace
import strict_cbor

FORMAT_SPEC = Path(__file__).resolve().parents[2] / "format-spec"
RULES = {
    frames.ENTRY: "entry",
    frames.HEADER: "header",
    frames.FRONTIER: "frontier",
    frames.SEAL: "seal",
    frames.TRACE: "trace",
    frames.STATEMENT: "statement",
    frames.RECEIPT: "receipt-slip",
    frames.PROVEN: "proven-entry",
    frames.RECOVERY: "recovery",
    frames.END: "end-mark",
    frames.HEAD: "head",
}


def load_validator():
    return Validator(FORMAT_SPEC / "carrylog.cddl")


def items_of(data):
    """The rules that parts of a file must match: (rule, bytes, offset of the frame)."""
    at = len(frames.MAGIC)
    while at < len(data):
        frame, after = frames.read_frame(data, at)
        yield ("tagged-frame" if at == 3 else "frame"), data[0 if at == 3 else at : after], at
        payload = frame.payload
        if frame.type == frames.TRACE:
            payload = carrylog_trace.expand(payload)
        if frame.type in RULES:
            yield RULES[frame.type], payload, at
        for entry in entries_of(frame):
            # `entry` also allows any body for kinds it does not know; a known kind must match its own.
            if (value := strict_cbor.decode(entry))["v"] == 1 and value["kind"] in carrylog_shapes.BODIES:
                yield "known-entry", entry, at
        at = after


def entries_of(frame):
    if frame.type == frames.ENTRY:
        yield frame.payload
    elif frame.type == frames.PROVEN:
        yield strict_cbor.decode(frame.payload)["entry"]


def check_file(validator, data):
    """What does not match in a file, and how many items of each rule matched."""
    faults, matched = [], Counter()
    for rule, item, offset in items_of(data):
        result = validator.validate(item, root_type=rule)
        if result.valid:
            matched[rule] += 1
        else:
            faults.append(f"{rule} in the frame at byte {offset}: {result.diagnostics[0]}")
    return faults, matched


def accepted_vectors():
    manifest = FORMAT_SPEC / "vectors" / "manifest.json"
    if not manifest.exists():
        return []
    vectors = json.loads(manifest.read_text("utf-8"))["vectors"]
    return [FORMAT_SPEC / "vectors" / v["file"] for v in vectors if v["expect"] == "accept"]


def main(arguments):
    files = [Path(name) for name in arguments] or accepted_vectors()
    if not files:
        print("no files given, and no vectors to take instead")
        return 2
    validator = load_validator()
    wrong, matched = 0, Counter()
    for file in files:
        faults, found = check_file(validator, file.read_bytes())
        matched += found
        wrong += len(faults)
        for fault in faults:
            print(f"{file}: {fault}")
    print(f"{len(files)} files: " + ", ".join(f"{count} {rule}" for rule, count in sorted(matched.items())))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
