"""COSE_Sign1 (RFC 9052) with Ed25519 (RFC 8032, RFC 9864), as narrow as SPEC.md chapter 2 states it.

Signature arithmetic is that of the `cryptography` package; this module adds the checks that make
the verdict the same in every strict verifier (rule S-1).
"""

from hashlib import sha256
from typing import NamedTuple

import cbor2
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

import strict_cbor

ED25519 = -19
SIGN1_TAG = 18

_FIELD_PRIME = 2**255 - 19
_CURVE_D = -121665 * pow(121666, -1, _FIELD_PRIME) % _FIELD_PRIME
_GROUP_ORDER = 2**252 + 27742317777372353535851937790883648493

# The points of order 1, 2, 4 and 8 in their canonical encodings; a test derives them again.
SMALL_ORDER_POINTS = frozenset(
    bytes.fromhex(point)
    for point in (
        "0100000000000000000000000000000000000000000000000000000000000000",
        "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
        "0000000000000000000000000000000000000000000000000000000000000000",
        "0000000000000000000000000000000000000000000000000000000000000080",
        "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
        "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc85",
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
        "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa",
    )
)


class Sign1(NamedTuple):
    """A parsed envelope. `payload` is None if detached; `kid` is the name of the signing key."""

    protected: bytes
    headers: dict
    unprotected: dict
    payload: bytes | None
    signature: bytes

    @property
    def kid(self):
        return self.headers.get(4)


def thumbprint(cose_key):
    """The COSE key thumbprint with SHA-256 (RFC 9679) over the required parameters of a key."""
    return sha256(cbor2.dumps(cose_key, canonical=True)).digest()


def key_name(public_key):
    """The name of an Ed25519 key of 32 bytes: its thumbprint (OKP is 1, curve Ed25519 is 6)."""
    return thumbprint({1: 1, -1: 6, -2: public_key})


def show_key_name(name):
    """A key's name for people: 80 bits in Crockford's base 32, in groups of four."""
    alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    bits = int.from_bytes(name[:10], "big")
    letters = "".join(alphabet[bits >> shift & 31] for shift in range(75, -1, -5))
    return "-".join(letters[i : i + 4] for i in range(0, 16, 4))


def to_be_signed(protected, payload):
    """The Sig_structure of RFC 9052 section 4.4 with empty external data."""
    return cbor2.dumps(["Signature1", protected, b"", payload])


def _canonical_point(point):
    y = int.from_bytes(point, "little") & (2**255 - 1)
    # x = 0 has no negative: y = 1 and y = -1 must not carry the sign bit.
    signed_zero = point[31] & 0x80 and y in (1, _FIELD_PRIME - 1)
    return y < _FIELD_PRIME and not signed_zero


def is_public_key(data):
    """Whether bytes are an Ed25519 key: a canonical point of the curve (RFC 8032 5.1.3), not of small order."""
    if len(data) != 32 or not _canonical_point(data) or data in SMALL_ORDER_POINTS:
        return False
    y = int.from_bytes(data, "little") & (2**255 - 1)
    x_squared = (y * y - 1) * pow(_CURVE_D * y * y + 1, -1, _FIELD_PRIME) % _FIELD_PRIME
    return pow(x_squared, (_FIELD_PRIME - 1) // 2, _FIELD_PRIME) in (0, 1)


def signature_holds(public_key, message, signature):
    """The strict rule S-1: canonical S and points, no points of small order, no cofactor."""
    if len(public_key) != 32 or len(signature) != 64:
        return False
    r, s = signature[:32], int.from_bytes(signature[32:], "little")
    if s >= _GROUP_ORDER or not (_canonical_point(public_key) and _canonical_point(r)):
        return False
    if public_key in SMALL_ORDER_POINTS or r in SMALL_ORDER_POINTS:
        return False
    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def parse_sign1(data):
    """The four parts of a tagged COSE_Sign1 in deterministic encoding. Raises ValueError."""
    item = strict_cbor.decode(data, tags={SIGN1_TAG})
    parts = item.value if isinstance(item, cbor2.CBORTag) else None
    if not isinstance(parts, list) or len(parts) != 4:
        raise ValueError("not a COSE_Sign1 with tag 18")
    protected, unprotected, payload, signature = parts
    if not isinstance(protected, bytes) or not isinstance(unprotected, dict):
        raise ValueError("headers of a COSE_Sign1 are a byte string and a map")
    if not (payload is None or isinstance(payload, bytes)):
        raise ValueError("the payload of a COSE_Sign1 is a byte string or null")
    if not isinstance(signature, bytes) or len(signature) != 64:
        raise ValueError("an Ed25519 signature has 64 bytes")
    headers = strict_cbor.decode(protected) if protected else {}
    if not isinstance(headers, dict):
        raise ValueError("the protected header is a map")
    return Sign1(protected, headers, unprotected, payload, signature)


def parse_carrylog_sign1(data, content):
    """An envelope with exactly the headers of SPEC.md chapter 2. Raises ValueError.

    `content` is the middle of the content type: `seal`, `statement`, `sign-off`, `fleet-head`.
    """
    sign1 = parse_sign1(data)
    wanted = {1: ED25519, 3: f"application/vnd.carrylog.{content}+cbor", 4: sign1.kid}
    if sign1.headers != wanted or not isinstance(sign1.kid, bytes) or len(sign1.kid) != 32:
        raise ValueError(f"not the protected header of a {content}")
    if sign1.unprotected:
        raise ValueError("the unprotected header must be empty")
    if sign1.payload is None:
        raise ValueError("the payload must not be detached")
    return sign1


def sign1_holds(sign1, public_key, detached=None):
    payload = detached if sign1.payload is None else sign1.payload
    return signature_holds(public_key, to_be_signed(sign1.protected, payload), sign1.signature)
