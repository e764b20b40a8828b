"""Receipts and fleet heads as SPEC.md chapter 10 narrows them (rule R-1)."""

import carrylog_shapes as shapes
import cose_sign1
import receipt_check
import rfc9162_tree as tree
import strict_cbor

CWT_CLAIMS, CWT_ISSUED_AT = 15, 6


class ServerInQuestion(ValueError):
    """The receipt may be sound, but no server that is enrolled, unrevoked and within its dates has signed it."""


def parse_slip(data):
    """The seal's payload, its content, and the receipt's bytes of a frame of type 7."""
    slip = strict_cbor.decode(data)
    shapes.RECEIPT_SLIP(slip, "slip")
    seal = strict_cbor.decode(slip["seal"])
    shapes.SEAL_CONTENT(seal, "slip.seal")
    return slip["seal"], seal, slip["receipt"]


def check_headers(receipt, kind):
    """The protected header exactly as the SPEC has it, and one proof of the kind wanted."""
    sign1, proofs = receipt_check.parse_receipt(receipt)
    claims = sign1.headers.get(CWT_CLAIMS)
    issued = claims.get(CWT_ISSUED_AT) if isinstance(claims, dict) else None
    if type(issued) is not int or not 0 <= issued <= shapes.MAX_INSTANT_MS // 1000:
        raise receipt_check.ReceiptFault("the receipt does not say when it was issued")
    wanted = {1: cose_sign1.ED25519, 4: sign1.kid, CWT_CLAIMS: {CWT_ISSUED_AT: issued}, receipt_check.VDS_LABEL: 1}
    if sign1.headers != wanted or not isinstance(sign1.kid, bytes) or len(sign1.kid) != 32:
        raise receipt_check.ReceiptFault("not the protected header of a receipt")
    if sign1.unprotected.keys() != {receipt_check.VDP_LABEL} or proofs.keys() != {kind} or len(proofs[kind]) != 1:
        raise receipt_check.ReceiptFault("a receipt holds one proof and nothing else")
    return sign1, proofs[kind][0], issued


def check_slip(data, trust, log=None):
    """Verifies a receipt for the seal beside it, of this log if one is given. Returns what it proves.

    Raises ServerInQuestion only where nothing but the server's enrolment speaks against the receipt.
    """
    payload, seal, receipt = parse_slip(data)
    if log is not None and seal["log"] != log:
        raise receipt_check.ReceiptFault("the receipt is for another log than the header names")
    sign1, (size, index, path), issued = check_headers(receipt, receipt_check.INCLUSION)
    if tree.root_from_inclusion(tree.leaf_hash(payload), index, size, path) is None:
        raise receipt_check.ReceiptFault("the path does not lead to a root")
    enrolment = trust.enrolment(sign1.kid)
    if enrolment is None:
        raise ServerInQuestion("the receipt's signer is not enrolled")
    root = receipt_check.check_inclusion(receipt, enrolment.key, payload)
    if enrolment.role != "server" or trust.revoked_from(sign1.kid) is not None:
        raise ServerInQuestion("the receipt's signer is not a server, or revoked")
    if log is not None and enrolment.partner:
        raise ServerInQuestion("only a partner enrolled the receipt's signer: it frees no memory here")
    if not enrolment.covers(1000 * issued):
        raise ServerInQuestion("the receipt was issued outside the dates of the server's enrolment")
    return {
        "log": seal["log"].hex(), "seq": seal["seq"], "size": seal["size"], "root": seal["root"].hex(),
        "server": enrolment.name, "issued_s": issued, "fleet_root": root.hex(),
    }


def check_fleet_head(data, server_key):
    """The content of a fleet head that this server has signed. Raises ValueError."""
    sign1 = cose_sign1.parse_carrylog_sign1(data, "fleet-head")
    head = strict_cbor.decode(sign1.payload)
    shapes.FLEET_HEAD_CONTENT(head, "head")
    name = cose_sign1.key_name(server_key)
    if sign1.kid != name or head["log"] != name:
        raise ValueError("the head is of another server's log")
    if not cose_sign1.sign1_holds(sign1, server_key):
        raise ValueError("the signature does not hold under the server's key")
    return head
