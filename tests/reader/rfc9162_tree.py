"""The Merkle tree of RFC 9162 section 2.1 with SHA-256: hashes, frontiers, proofs both ways.

The generators are the recursive definitions of the RFC, written for clarity; tests hold them
against the verifiers, which follow sections 2.1.3.2 and 2.1.4.2 step by step.
"""

from hashlib import sha256


def leaf_hash(entry):
    return sha256(b"\x00" + entry).digest()


def node_hash(left, right):
    return sha256(b"\x01" + left + right).digest()


def _split(count):
    """The largest power of two smaller than `count`."""
    return 1 << ((count - 1).bit_length() - 1)


def root_of(leaves):
    """MTH over leaf hashes (section 2.1.1)."""
    if not leaves:
        return sha256().digest()
    if len(leaves) == 1:
        return leaves[0]
    k = _split(len(leaves))
    return node_hash(root_of(leaves[:k]), root_of(leaves[k:]))


class Frontier:
    """The roots of the perfect subtrees of the first `size` leaves, from left to right."""

    def __init__(self, size=0, peaks=()):
        if len(peaks) != size.bit_count():
            raise ValueError("a frontier holds one hash for each 1 bit of its size")
        self.size = size
        self.peaks = list(peaks)

    def push(self, leaf):
        node, size = leaf, self.size
        while size & 1:
            node = node_hash(self.peaks.pop(), node)
            size >>= 1
        self.peaks.append(node)
        self.size += 1

    def root(self):
        if not self.peaks:
            return sha256().digest()
        root = self.peaks[-1]
        for peak in reversed(self.peaks[:-1]):
            root = node_hash(peak, root)
        return root


def inclusion_path(index, leaves):
    """PATH(m, D[n]) (section 2.1.3.1)."""
    if len(leaves) == 1:
        return []
    k = _split(len(leaves))
    if index < k:
        return inclusion_path(index, leaves[:k]) + [root_of(leaves[k:])]
    return inclusion_path(index - k, leaves[k:]) + [root_of(leaves[:k])]


def consistency_path(first, leaves):
    """PROOF(m, D[n]) (section 2.1.4.1); empty for m = n."""

    def subproof(m, part, whole):
        if m == len(part):
            return [] if whole else [root_of(part)]
        k = _split(len(part))
        if m <= k:
            return subproof(m, part[:k], whole) + [root_of(part[k:])]
        return subproof(m - k, part[k:], False) + [root_of(part[:k])]

    return subproof(first, leaves, True)


def root_from_inclusion(leaf, index, size, path):
    """The root that an inclusion proof leads to, or None if the proof has the wrong shape."""
    if index >= size:
        return None
    fn, sn, node = index, size - 1, leaf
    for step in path:
        if sn == 0:
            return None
        if fn & 1 or fn == sn:
            node = node_hash(step, node)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            node = node_hash(node, step)
        fn, sn = fn >> 1, sn >> 1
    return node if sn == 0 else None


def roots_from_consistency(first, second, first_root, path):
    """The newer root a consistency proof leads to from `first_root`, or None if it does not hold.

    The RFC runs 0 < m < n. Equal sizes need an empty path and give the same root.
    """
    if not 0 < first <= second:
        return None
    if first == second:
        return first_root if not path else None
    if not path:
        return None
    path = list(path)
    if first & (first - 1) == 0:
        path.insert(0, first_root)
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    old = new = path[0]
    for step in path[1:]:
        if sn == 0:
            return None
        if fn & 1 or fn == sn:
            old, new = node_hash(step, old), node_hash(step, new)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            new = node_hash(new, step)
        fn, sn = fn >> 1, sn >> 1
    return new if sn == 0 and old == first_root else None
