"""Known answers from outside the project for what the reader stands on: CBOR, tree, COSE, receipts.

Each test names its source. Run with pytest, in this directory or from the repository's root.
"""

import json
from hashlib import sha256
from pathlib import Path

import cbor2
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

import cose_sign1
import receipt_check
import rfc9162_tree as tree
import strict_cbor

PUBLISHED = Path(__file__).resolve().parents[2] / "format-spec" / "vectors" / "published"


def published(name):
    return json.loads((PUBLISHED / name).read_text("utf-8"))


# ---- CBOR: RFC 8949 ----


def test_rfc8949_appendix_a_is_accepted_exactly_where_deterministic_and_in_this_formats_types():
    items = published("rfc8949_appendix_a.json")["items"]
    assert len(items) > 70
    for item in items:
        data = bytes.fromhex(item["hex"])
        if item["verdict"] == "accepted":
            assert strict_cbor.decode(data) == cbor2.loads(data), item
        else:
            with pytest.raises(strict_cbor.CborFault):
                strict_cbor.decode(data)


def test_rfc8949_appendix_f_is_refused_throughout():
    items = [i for group in published("rfc8949_appendix_f.json")["groups"] for i in group["hex"]]
    assert len(items) > 60
    for item in items:
        with pytest.raises(strict_cbor.CborFault):
            strict_cbor.decode(bytes.fromhex(item), tags=range(2**16))


def test_map_keys_follow_the_order_of_rfc8949_section_4_2_1():
    # The example of the section: 10, 100, -1, "z", "aa", [100], [-1], false.
    keys = ["0a", "1864", "20", "617a", "626161", "811864", "8120", "f4"]
    ordered = bytes.fromhex("a8" + "".join(key + "00" for key in keys))
    assert len(strict_cbor.decode(ordered)) == 8
    for i in range(7):
        swapped = keys[:i] + [keys[i + 1], keys[i]] + keys[i + 2 :]
        with pytest.raises(strict_cbor.CborFault, match="out of order"):
            strict_cbor.decode(bytes.fromhex("a8" + "".join(key + "00" for key in swapped)))
    with pytest.raises(strict_cbor.CborFault, match="twice"):
        strict_cbor.decode(bytes.fromhex("a20a000a00"))


def test_depth_is_bounded():
    strict_cbor.decode(b"\x81" * 15 + b"\x80")
    with pytest.raises(strict_cbor.CborFault, match="deep"):
        strict_cbor.decode(b"\x81" * 16 + b"\x80")


# ---- tree: RFC 9162 section 2.1 ----

# The eight leaves and roots that public Certificate Transparency implementations test with;
# RFC 6962 and RFC 9162 define the same tree.
LEAVES = [bytes.fromhex(h) for h in (
    "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
)]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
L1 = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
N23 = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
N4567 = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
L4 = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
N67 = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
N45 = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
HASHES = [tree.leaf_hash(leaf) for leaf in LEAVES]


def hexes(path):
    return [node.hex() for node in path]


def test_roots_of_zero_to_eight_leaves():
    frontier = tree.Frontier()
    for size, root in enumerate(ROOTS):
        assert tree.root_of(HASHES[:size]).hex() == root
        assert frontier.root().hex() == root
        assert len(frontier.peaks) == size.bit_count()
        if size < 8:
            frontier.push(HASHES[size])


def test_known_inclusion_and_consistency_paths():
    assert hexes(tree.inclusion_path(0, HASHES[:1])) == []
    assert hexes(tree.inclusion_path(0, HASHES)) == [L1, N23, N4567]
    assert hexes(tree.inclusion_path(5, HASHES)) == [L4, N67, ROOTS[4]]
    assert hexes(tree.inclusion_path(2, HASHES[:3])) == [ROOTS[2]]
    assert hexes(tree.inclusion_path(1, HASHES[:5])) == [ROOTS[1], N23, L4]
    assert hexes(tree.consistency_path(1, HASHES)) == [L1, N23, N4567]
    assert hexes(tree.consistency_path(6, HASHES)) == [N45, N67, ROOTS[4]]
    assert hexes(tree.consistency_path(2, HASHES[:5])) == [N23, L4]


def flip(node):
    return bytes([node[0] ^ 1]) + node[1:]


def test_every_inclusion_proof_holds_and_no_changed_one_does():
    for size in range(1, 9):
        root = tree.root_of(HASHES[:size])
        for index in range(size):
            path = tree.inclusion_path(index, HASHES[:size])
            assert tree.root_from_inclusion(HASHES[index], index, size, path) == root
            assert tree.root_from_inclusion(flip(HASHES[index]), index, size, path) != root
            assert tree.root_from_inclusion(HASHES[index], size, size, path) is None
            assert tree.root_from_inclusion(HASHES[index], index, size, path + [root]) is None
            assert tree.root_from_inclusion(HASHES[index], index, 0, path) is None
            for i in range(len(path)):
                assert tree.root_from_inclusion(HASHES[index], index, size, path[:i] + path[i + 1 :]) != root
                changed = path[:i] + [flip(path[i])] + path[i + 1 :]
                assert tree.root_from_inclusion(HASHES[index], index, size, changed) != root


def test_every_consistency_proof_holds_and_no_changed_one_does():
    for second in range(1, 9):
        new = tree.root_of(HASHES[:second])
        for first in range(1, second + 1):
            old = tree.root_of(HASHES[:first])
            path = tree.consistency_path(first, HASHES[:second])
            assert tree.roots_from_consistency(first, second, old, path) == new
            assert tree.roots_from_consistency(first, second, old, path + [new]) is None
            if first < second:
                assert tree.roots_from_consistency(first, second, flip(old), path) != new
            for i in range(len(path)):
                changed = path[:i] + [flip(path[i])] + path[i + 1 :]
                assert tree.roots_from_consistency(first, second, old, changed) != new
    assert tree.roots_from_consistency(0, 8, tree.root_of([]), []) is None


# ---- signatures: RFC 8032, RFC 9052, RFC 9679, RFC 9864 ----


def test_rfc8032_section_7_1_signatures_hold_and_changed_ones_do_not():
    tests = published("rfc8032_ed25519.json")["tests"]
    assert len(tests) >= 4
    for known in tests:
        key, message, signature = (bytes.fromhex(known[part]) for part in ("public_key", "message", "signature"))
        assert cose_sign1.signature_holds(key, message, signature), known["name"]
        assert not cose_sign1.signature_holds(key, message + b"x", signature)
        for at in (0, 31, 32, 63):
            changed = bytearray(signature)
            changed[at] ^= 1
            assert not cose_sign1.signature_holds(key, message, bytes(changed))


def test_a_signature_with_the_group_order_added_to_s_is_refused():
    known = published("rfc8032_ed25519.json")["tests"][0]
    key, signature = bytes.fromhex(known["public_key"]), bytes.fromhex(known["signature"])
    s = int.from_bytes(signature[32:], "little") + 2**252 + 27742317777372353535851937790883648493
    assert not cose_sign1.signature_holds(key, bytes.fromhex(known["message"]), signature[:32] + s.to_bytes(32, "little"))


P = 2**255 - 19
D = -121665 * pow(121666, -1, P) % P


def point(encoded):
    """Decompression after RFC 8032 section 5.1.3."""
    number = int.from_bytes(encoded, "little")
    y, sign = number & (2**255 - 1), number >> 255
    assert y < P
    u, v = (y * y - 1) % P, (D * y * y + 1) % P
    x = u * pow(v, 3, P) * pow(u * pow(v, 7, P), (P - 5) // 8, P) % P
    if v * x * x % P == -u % P:
        x = x * pow(2, (P - 1) // 4, P) % P
    assert v * x * x % P == u
    return (P - x if x and x & 1 != sign else x, y)


def add(a, b):
    """The addition law of the curve -x^2 + y^2 = 1 + d x^2 y^2 in affine coordinates."""
    k = D * a[0] * b[0] * a[1] * b[1] % P
    x = (a[0] * b[1] + b[0] * a[1]) * pow(1 + k, -1, P) % P
    return x, (a[1] * b[1] + a[0] * b[0]) * pow(1 - k, -1, P) % P


def test_the_listed_points_of_small_order_are_all_there_are():
    # The cofactor is 8 (RFC 8032 section 5.1), so exactly eight points vanish when multiplied by 8.
    # Two encodings (y = 1 and y = -1 with a sign bit) would be non-canonical and are not listed.
    points = {point(encoded) for encoded in cose_sign1.SMALL_ORDER_POINTS}
    assert len(points) == 8
    for p in points:
        for _ in range(3):
            p = add(p, p)
        assert p == (0, 1)


def test_a_key_of_small_order_signs_nothing_although_a_lax_verifier_says_so():
    # With the identity as key, S = 1 and R = the base point satisfy the equation for any message.
    key = bytes([1]) + bytes(31)
    signature = bytes.fromhex("58" + "66" * 31) + bytes([1]) + bytes(31)
    Ed25519PublicKey.from_public_bytes(key).verify(signature, b"anything")
    assert not cose_sign1.signature_holds(key, b"anything", signature)


def test_encodings_that_are_not_canonical_are_refused():
    not_reduced = (P + 1).to_bytes(32, "little")
    negative_zero = bytes([1]) + bytes(30) + b"\x80"
    for encoded in (not_reduced, negative_zero):
        assert not cose_sign1._canonical_point(encoded)
    for encoded in cose_sign1.SMALL_ORDER_POINTS:
        assert cose_sign1._canonical_point(encoded)


RFC8032_TEST_1 = Ed25519PrivateKey.from_private_bytes(
    bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
)
RFC8032_TEST_1_KEY = RFC8032_TEST_1.public_key().public_bytes_raw()


def test_the_cose_working_groups_ed25519_example_holds():
    # COSE working group, public "Examples" repository, eddsa-examples/eddsa-sig-01 (algorithm -8).
    message = bytes.fromhex(
        "d28445a201270300a10442313154546869732069732074686520636f6e74656e742e"
        "58407142fd2ff96d56db85bee905a76ba1d0b7321a95c8c4d3607c5781932b7afb87"
        "11497dfa751bf40b58b3bcc32300b1487f3db34085eef013bf08f4a44d6fef0d"
    )
    sign1 = cose_sign1.parse_sign1(message)
    assert sign1.headers == {1: -8, 3: 0} and sign1.unprotected == {4: b"11"}
    assert sign1.payload == b"This is the content."
    assert cose_sign1.sign1_holds(sign1, RFC8032_TEST_1_KEY)
    # Sound COSE, and still nothing of this format: another algorithm number and other headers.
    with pytest.raises(ValueError):
        cose_sign1.parse_carrylog_sign1(message, "seal")


def test_the_same_content_under_algorithm_minus_19():
    # RFC 9864 section 2.2 for the number; bytes computed independently from RFC 9052 section 4.4.
    to_be_signed = bytes.fromhex(
        "846a5369676e61747572653143a101324054546869732069732074686520636f6e74656e742e"
    )
    signature = bytes.fromhex(
        "d492f52368492eefde152b706cced7c257bade0d041020909154f68b9b375ccc"
        "058a5ebf6da9e526a7e56abdfdefce6f73dc08fb4bd7667e471986c12f81c705"
    )
    assert cose_sign1.to_be_signed(bytes.fromhex("a10132"), b"This is the content.") == to_be_signed
    assert RFC8032_TEST_1.sign(to_be_signed) == signature
    message = bytes.fromhex("d28443a10132a054") + b"This is the content." + bytes.fromhex("5840") + signature
    assert cose_sign1.sign1_holds(cose_sign1.parse_sign1(message), RFC8032_TEST_1_KEY)


def test_the_key_thumbprint_example_of_rfc9679_section_6():
    x = bytes.fromhex("65eda5a12577c2bae829437fe338701a10aaa375e1bb5b5de108de439c08551d")
    y = bytes.fromhex("1e52ed75701163f7f9e40ddf9f341b3dc9ba860af7e0ca7ca7e9eecd0084d19c")
    name = cose_sign1.thumbprint({1: 2, -1: 1, -2: x, -3: y})
    assert name.hex() == "496bd8afadf307e5b08c64b0421bf9dc01528a344a43bda88fadd1669da253ec"


def test_a_key_name_is_the_hash_of_bytes_written_out_by_hand():
    packed = bytes.fromhex("a3" "0101" "2006" "215820") + RFC8032_TEST_1_KEY
    assert cose_sign1.key_name(RFC8032_TEST_1_KEY) == sha256(packed).digest()
    assert cose_sign1.show_key_name(bytes(32)) == "0000-0000-0000-0000"
    assert cose_sign1.show_key_name(b"\xff" * 32) == "ZZZZ-ZZZZ-ZZZZ-ZZZZ"
    assert cose_sign1.show_key_name(bytes.fromhex("00443214c74254b635cf" + "00" * 22)) == "0123-4567-89AB-CDEF"


# ---- receipts: RFC 9942 ----


def receipt(kind, proof, root, protected=None, payload=None):
    packed = cbor2.dumps(protected or {1: -19, 395: 1})
    signature = RFC8032_TEST_1.sign(cose_sign1.to_be_signed(packed, root))
    proofs = {396: {kind: [cbor2.dumps(proof)]}}
    return cbor2.dumps(cbor2.CBORTag(18, [packed, proofs, payload, signature]))


def test_receipts_of_inclusion_hold_for_their_leaf_only():
    for size in range(1, 9):
        root = tree.root_of(HASHES[:size])
        for index in range(size):
            made = receipt(-1, [size, index, tree.inclusion_path(index, HASHES[:size])], root)
            assert receipt_check.check_inclusion(made, RFC8032_TEST_1_KEY, LEAVES[index]) == root
            with pytest.raises(receipt_check.ReceiptFault):
                receipt_check.check_inclusion(made, RFC8032_TEST_1_KEY, LEAVES[index] + b"x")
            with pytest.raises(receipt_check.ReceiptFault):
                receipt_check.check_consistency(made, RFC8032_TEST_1_KEY, root)


def test_receipts_of_consistency_hold_from_their_older_root_only():
    for second in range(1, 9):
        new = tree.root_of(HASHES[:second])
        for first in range(1, second + 1):
            old = tree.root_of(HASHES[:first])
            made = receipt(-2, [first, second, tree.consistency_path(first, HASHES[:second])], new)
            assert receipt_check.check_consistency(made, RFC8032_TEST_1_KEY, old) == new
            with pytest.raises(receipt_check.ReceiptFault):
                receipt_check.check_consistency(made, RFC8032_TEST_1_KEY, flip(old))


def test_receipts_that_prove_nothing_are_refused():
    root = tree.root_of(HASHES)
    proof = [8, 0, tree.inclusion_path(0, HASHES)]
    other_key = Ed25519PrivateKey.from_private_bytes(bytes(32)).public_key().public_bytes_raw()
    refused = {
        "another algorithm": receipt(-1, proof, root, {1: -8, 395: 1}),
        "another data structure": receipt(-1, proof, root, {1: -19, 395: 2}),
        "no data structure": receipt(-1, proof, root, {1: -19}),
        "a critical header": receipt(-1, proof, root, {1: -19, 2: [395], 395: 1}),
        "a payload that is not detached": receipt(-1, proof, root, payload=root),
        "an index beyond the tree": receipt(-1, [8, 8, proof[2]], root),
        "a proof of two parts": receipt(-1, [8, 0], root),
        "another kind of proof": receipt(-3, proof, root),
        "a signed root that the path does not lead to": receipt(-1, proof, flip(root)),
    }
    for what, made in refused.items():
        with pytest.raises(receipt_check.ReceiptFault):
            receipt_check.check_inclusion(made, RFC8032_TEST_1_KEY, LEAVES[0])
            pytest.fail(what)
    with pytest.raises(receipt_check.ReceiptFault):
        receipt_check.check_inclusion(receipt(-1, proof, root), other_key, LEAVES[0])
