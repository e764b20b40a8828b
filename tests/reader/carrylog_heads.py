"""Fleet heads as files carry them, their checkpoints, and what a reader has kept (rules F-3 to F-7).

Written from SPEC.md chapter 10 and the C2SP texts signed-note, tlog-checkpoint and tlog-cosignature.
"""

import base64
import re
from hashlib import sha256
from typing import NamedTuple

import carrylog_receipts
import carrylog_shapes as shapes
import cose_sign1
import receipt_check
import rfc9162_tree as tree
import strict_cbor

ED25519_NOTE, COSIGNATURE = 1, 4
MOST_HEADS = 4


class Broken(ValueError):
    """The head breaks this rule."""

    def __init__(self, rule, why):
        super().__init__(why)
        self.rule = rule


class Head(NamedTuple):
    content: dict
    name: bytes
    proofs: list
    checkpoint: "Note | None"
    known: bool


class Note(NamedTuple):
    """A checkpoint: the signed text, what it says, and (name, id, signature) of each line."""

    text: str
    log: bytes
    size: int
    root: bytes
    signatures: list


def key_id(name, kind, key):
    return sha256(name.encode() + b"\n" + bytes([kind]) + key).digest()[:4]


def _decoded(text):
    raw = base64.b64decode(text, validate=True)
    if base64.b64encode(raw).decode() != text:
        raise ValueError("base64 with stray bits")
    return raw


def parse_checkpoint(text):
    body, blank, lines = text.partition("\n\n")
    parts = body.split("\n")
    if not blank or len(parts) != 3 or not lines.endswith("\n"):
        raise ValueError("not three lines, an empty one and signatures")
    origin = re.fullmatch(r"carrylog/([0-9a-f]{64})", parts[0])
    size = re.fullmatch(r"0|[1-9][0-9]*", parts[1])
    root = _decoded(parts[2])
    if not origin or not size or len(root) != 32:
        raise ValueError("not the three lines of a checkpoint")
    signatures = []
    for line in lines[:-1].split("\n"):
        signed = re.fullmatch(r"— ([^\s+]+) (\S+)", line)
        material = _decoded(signed[2]) if signed else b""
        if len(material) < 5:
            raise ValueError("not a signature line")
        signatures.append((signed[1], material[:4], material[4:]))
    return Note(body + "\n", bytes.fromhex(origin[1]), int(parts[1]), root, signatures)


def signed_by_log(note, key):
    name = f"carrylog/{note.log.hex()}"
    for signer, identity, signature in note.signatures:
        if (signer, identity) == (name, key_id(name, ED25519_NOTE, key)):
            return cose_sign1.signature_holds(key, note.text.encode(), signature)
    return False


def witnessed(note, key):
    """The seconds at which the witness with this key signed, or None."""
    name = f"carrylog-witness/{cose_sign1.key_name(key).hex()}"
    for signer, identity, signature in note.signatures:
        if (signer, identity) == (name, key_id(name, COSIGNATURE, key)) and len(signature) == 72:
            seconds = int.from_bytes(signature[:8], "big")
            message = f"cosignature/v1\ntime {seconds}\n{note.text}".encode()
            return seconds if cose_sign1.signature_holds(key, message, signature[8:]) else None
    return None


def parse_head(signed):
    """The content of a signed head and its envelope; the signature is not checked."""
    sign1 = cose_sign1.parse_carrylog_sign1(signed, "fleet-head")
    content = strict_cbor.decode(sign1.payload)
    carrylog_receipts.check_head_content(content, sign1.kid)
    return content, sign1


def check_frame(payload, trust):
    """A frame of type 12, by rules F-3 and F-4."""
    try:
        frame = strict_cbor.decode(payload)
        shapes.HEAD(frame, "head")
        content, sign1 = parse_head(frame["head"])
    except ValueError as fault:
        raise Broken("F-3", f"not a head: {fault}") from None
    enrolment = trust.enrolment(content["log"])
    key = enrolment.key if enrolment and enrolment.role == "server" else None
    if key and not cose_sign1.sign1_holds(sign1, key):
        raise Broken("F-3", "the signature does not hold under the server's key")
    proofs, note = [], None
    try:
        for packed in frame.get("proofs", []):
            proof = receipt_check.parse_proof(packed)
            if not 1 <= proof.first < proof.second or not 1 <= len(proof.path) <= carrylog_receipts.LONGEST_PATH:
                raise ValueError("not a consistency proof")
            if proof.second != content["size"]:
                raise ValueError("a proof that ends at another size")
            proofs.append(proof)
        if "checkpoint" in frame:
            note = parse_checkpoint(frame["checkpoint"])
            if (note.log, note.size, note.root) != (content["log"], content["size"], content["root"]):
                raise ValueError("a checkpoint of another log, size or root")
            if key and not signed_by_log(note, key):
                raise ValueError("a checkpoint that the server did not sign")
    except ValueError as fault:
        raise Broken("F-4", str(fault)) from None
    return Head(content, sha256(sign1.payload).digest(), proofs, note, key is not None)


def check_list(heads):
    """Heads of a segment or unit history, by rule F-7; called after each."""
    logs = [head.content["log"] for head in heads]
    if len(heads) > MOST_HEADS or logs != sorted(set(logs)) or heads[-1].proofs:
        raise Broken("F-7", "more than 4 heads, out of order, or with a proof")


def check_kept(head, kept):
    """Holds a return's head against those that were kept, by rule F-6."""
    for old in kept:
        if old["log"] != head.content["log"]:
            continue
        size, root = head.content["size"], head.content["root"]
        if size == old["size"] and root != old["root"]:
            raise Broken("F-6", "two roots for one size")
        if size < old["size"] and head.content["at_ms"] > old["at_ms"]:
            raise Broken("F-6", "a smaller size after a greater")
        for first, second, path in head.proofs:
            if first == old["size"] and tree.roots_from_consistency(first, second, old["root"], path) != root:
                raise Broken("F-6", "the log does not begin with what it was")
