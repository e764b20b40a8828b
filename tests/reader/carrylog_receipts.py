"""Receipts and fleet heads as SPEC.md chapter 10 narrows them (rules F-1, R-1 to R-3)."""

import carrylog_shapes as shapes
import cose_sign1
import receipt_check
import rfc9162_tree as tree
import strict_cbor

CWT_CLAIMS, CWT_ISSUED_AT, FLEET = 15, 6, -65537
LONGEST_PATH = 63


class ServerInQuestion(ValueError):
    """The receipt may be sound, but no server that is enrolled, unrevoked and within its dates has signed it."""


class Broken(ValueError):
    """The receipt breaks a rule of its own."""

    def __init__(self, rule, why):
        super().__init__(why)
        self.rule = rule


def seal_leaf(payload):
    """The leaf of the fleet log that holds this seal's payload: `{seal: payload}`."""
    return bytes.fromhex("a1647365616c") + payload


def parse_slip(data):
    """The seal's payload, its content, and the receipt's bytes of a frame of type 7."""
    slip = strict_cbor.decode(data)
    shapes.RECEIPT_SLIP(slip, "slip")
    seal = strict_cbor.decode(slip["seal"])
    shapes.SEAL_CONTENT(seal, "slip.seal")
    return slip["seal"], seal, slip["receipt"]


def check_headers(receipt, kind):
    """The protected header exactly as the SPEC has it, and one proof of the kind wanted.

    Returns the envelope, the proof, the time of issue and the signed fleet log and size.
    """
    sign1, proofs = receipt_check.parse_receipt(receipt)
    claims = sign1.headers.get(CWT_CLAIMS)
    if not isinstance(claims, dict):
        raise receipt_check.ReceiptFault("the receipt claims nothing")
    issued, fleet = claims.get(CWT_ISSUED_AT), claims.get(FLEET)
    if type(issued) is not int or not 0 <= issued <= shapes.MAX_INSTANT_MS // 1000:
        raise receipt_check.ReceiptFault("the receipt does not say when it was issued")
    if not isinstance(fleet, list) or len(fleet) != 2:
        raise receipt_check.ReceiptFault("the receipt does not say of which fleet log and size it is")
    log, signed_size = fleet
    shapes.HASH(log, "fleet log")
    shapes.FLEET_SIZE(signed_size, "fleet size")
    wanted = {
        1: cose_sign1.ED25519, 4: sign1.kid,
        CWT_CLAIMS: {CWT_ISSUED_AT: issued, FLEET: fleet}, receipt_check.VDS_LABEL: 1,
    }
    if sign1.headers != wanted or not isinstance(sign1.kid, bytes) or len(sign1.kid) != 32:
        raise receipt_check.ReceiptFault("not the protected header of a receipt")
    if sign1.unprotected.keys() != {receipt_check.VDP_LABEL} or proofs.keys() != {kind} or len(proofs[kind]) != 1:
        raise receipt_check.ReceiptFault("a receipt holds one proof and nothing else")
    proof = proofs[kind][0]
    if not 1 <= len(proof.path) <= LONGEST_PATH:
        raise receipt_check.ReceiptFault("a path of a receipt has 1 to 63 hashes")
    return sign1, proof, issued, log, signed_size


def check_slip(data, trust, log=None):
    """Verifies a receipt for the seal beside it, of this log if one is given: then the server must be
    enrolled by a chosen authority. Returns what it proves.

    Raises ServerInQuestion only where nothing but the server's enrolment speaks against the receipt,
    Broken with the rule where another than R-1 is broken.
    """
    payload, seal, receipt = parse_slip(data)
    if log is not None and seal["log"] != log:
        raise receipt_check.ReceiptFault("the receipt is for another log than the header names")
    sign1, (size, index, path), issued, fleet_log, signed_size = check_headers(receipt, receipt_check.INCLUSION)
    if fleet_log != sign1.kid:
        raise Broken("R-3", "the fleet log is not named after the key that signed")
    if size != signed_size:
        raise Broken("R-3", "the tree size is not the signed one")
    if index == 0:
        raise Broken("F-1", "leaf 0 opens the fleet log")
    leaf = seal_leaf(payload)
    if tree.root_from_inclusion(tree.leaf_hash(leaf), index, size, path) is None:
        raise Broken("R-2", "the path does not lead to a root")
    enrolment = trust.enrolment(sign1.kid)
    if enrolment is None:
        raise ServerInQuestion("the receipt's signer is not enrolled")
    try:
        root = receipt_check.check_inclusion(receipt, enrolment.key, leaf)
    except receipt_check.ReceiptFault as fault:
        raise Broken("R-2", str(fault)) from None
    if enrolment.role != "server" or trust.revoked_from(sign1.kid) is not None:
        raise ServerInQuestion("the receipt's signer is not a server, or revoked")
    if log is not None and enrolment.partner:
        raise ServerInQuestion("only a partner enrolled the receipt's signer: it frees no memory here")
    if not enrolment.covers(1000 * issued):
        raise ServerInQuestion("the receipt was issued outside the dates of the server's enrolment")
    if log is not None and enrolment.authority not in trust.chosen:
        raise ServerInQuestion("only an authority trusted by statement enrolled the server")
    return {
        "log": seal["log"].hex(), "seq": seal["seq"], "size": seal["size"], "root": seal["root"].hex(),
        "server": enrolment.name, "issued_s": issued, "fleet_log": fleet_log.hex(),
        "fleet_root": root.hex(), "fleet_size": size, "fleet_index": index,
    }


def check_head_content(head, kid):
    """What a head states, in its only form and of its signer's log."""
    shapes.FLEET_HEAD_CONTENT(head, "head")
    named = [authority for authority, _, _ in head.get("chains", [])]
    if named != sorted(set(named)):
        raise ValueError("the authorities are not in ascending order")
    if head["log"] != kid:
        raise ValueError("the head is of another server's log")


def check_fleet_head(data, server_key):
    """The content of a fleet head that this server has signed. Raises ValueError."""
    sign1 = cose_sign1.parse_carrylog_sign1(data, "fleet-head")
    head = strict_cbor.decode(sign1.payload)
    check_head_content(head, sign1.kid)
    if sign1.kid != cose_sign1.key_name(server_key) or not cose_sign1.sign1_holds(sign1, server_key):
        raise ValueError("the signature does not hold under the server's key")
    return head
