"""COSE Receipts (RFC 9942) for the RFC9162_SHA256 verifiable data structure, checked from the RFC.

Knows nothing of carrylog's files: a receipt, the key and the leaf's bytes are all it takes. The
restrictions that carrylog adds on top are in `carrylog_receipts`.

    receipt_check.py RECEIPT --key HEX --leaf FILE
    receipt_check.py RECEIPT --key HEX --first-root HEX
"""

import argparse
import json
import sys
from pathlib import Path
from typing import NamedTuple

import cose_sign1
import rfc9162_tree as tree
import strict_cbor

RECEIPTS_LABEL, VDS_LABEL, VDP_LABEL = 394, 395, 396
RFC9162_SHA256 = 1
INCLUSION, CONSISTENCY = -1, -2


class ReceiptFault(ValueError):
    """Why a receipt proves nothing."""


class Proof(NamedTuple):
    """An inclusion proof (size, index, path) or a consistency proof (size 1, size 2, path)."""

    first: int
    second: int
    path: list


def parse_proof(data):
    item = strict_cbor.decode(data)
    if not isinstance(item, list) or len(item) != 3:
        raise ReceiptFault("a proof is an array of three")
    first, second, path = item
    if type(first) is not int or type(second) is not int or min(first, second) < 0:
        raise ReceiptFault("sizes and index are unsigned integers")
    if not isinstance(path, list) or any(not isinstance(h, bytes) or len(h) != 32 for h in path):
        raise ReceiptFault("a path is an array of SHA-256 values")
    return Proof(first, second, list(path))


def parse_receipt(data):
    """The envelope of a receipt and its proofs by kind (RFC 9942 section 4 and 5)."""
    try:
        sign1 = cose_sign1.parse_sign1(data)
    except ValueError as fault:
        raise ReceiptFault(str(fault)) from None
    if sign1.headers.get(1) != cose_sign1.ED25519:
        raise ReceiptFault("the algorithm is not Ed25519")
    if sign1.headers.get(VDS_LABEL) != RFC9162_SHA256:
        raise ReceiptFault("the data structure is not RFC9162_SHA256")
    if 2 in sign1.headers:
        raise ReceiptFault("critical headers that this reader does not know")
    if sign1.payload is not None:
        raise ReceiptFault("the payload is not detached")
    proofs = sign1.unprotected.get(VDP_LABEL)
    if not isinstance(proofs, dict) or not proofs or not proofs.keys() <= {INCLUSION, CONSISTENCY}:
        raise ReceiptFault("no proofs that this reader knows")
    parsed = {}
    for kind, packed in proofs.items():
        if not isinstance(packed, list) or not packed or not all(isinstance(p, bytes) for p in packed):
            raise ReceiptFault("proofs are an array of byte strings")
        try:
            parsed[kind] = [parse_proof(p) for p in packed]
        except ValueError as fault:
            raise ReceiptFault(str(fault)) from None
    return sign1, parsed


def check_inclusion(data, public_key, leaf):
    """The root that the receipt's signer has signed and that `leaf` (bytes) is under.

    RFC 9942: the root comes from leaf and path, and then the signature is verified over it. For a
    tree of one leaf the path is empty.
    """
    sign1, proofs = parse_receipt(data)
    root = None
    for size, index, path in proofs.get(INCLUSION, []):
        led = tree.root_from_inclusion(tree.leaf_hash(leaf), index, size, path)
        if led is None or (root is not None and led != root):
            raise ReceiptFault("the path does not lead to one root")
        root = led
    if root is None:
        raise ReceiptFault("no inclusion proof")
    if not cose_sign1.sign1_holds(sign1, public_key, detached=root):
        raise ReceiptFault("the signature does not hold over the root that the path leads to")
    return root


def check_consistency(data, public_key, first_root):
    """The newer root that the signer has signed and that extends the tree with `first_root`."""
    sign1, proofs = parse_receipt(data)
    root = None
    for size_1, size_2, path in proofs.get(CONSISTENCY, []):
        led = tree.roots_from_consistency(size_1, size_2, first_root, path)
        if led is None or (root is not None and led != root):
            raise ReceiptFault("the path does not lead from the older root to one newer root")
        root = led
    if root is None:
        raise ReceiptFault("no consistency proof")
    if not cose_sign1.sign1_holds(sign1, public_key, detached=root):
        raise ReceiptFault("the signature does not hold over the root that the path leads to")
    return root


def main(arguments=None):
    parser = argparse.ArgumentParser(description="Checks one COSE Receipt (RFC 9942).")
    parser.add_argument("receipt", type=Path)
    parser.add_argument("--key", required=True, type=bytes.fromhex, help="the signer's Ed25519 key in hex")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--leaf", type=Path, help="a file with the leaf's bytes")
    what.add_argument("--first-root", type=bytes.fromhex, help="the older root in hex")
    options = parser.parse_args(arguments)
    try:
        data = options.receipt.read_bytes()
        if options.leaf:
            root = check_inclusion(data, options.key, options.leaf.read_bytes())
        else:
            root = check_consistency(data, options.key, options.first_root)
    except ReceiptFault as fault:
        print(json.dumps({"ok": False, "why": str(fault)}))
        return 1
    print(json.dumps({"ok": True, "root": root.hex()}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
