"""Recovery shards and tables computed again from the polynomial definition in SPEC.md chapter 11.

Slow on purpose: interpolation as the text has it, no fast transform. `numpy` only repeats one
multiplication over all words of a shard. The reader needs none of this for its verdict.
"""

from hashlib import sha256

import numpy

import carrylog_recovery as recovery

FIELD_POLYNOMIAL = 0x1002D  # x^16 + x^5 + x^3 + x^2 + 1
ORDER = 2**16 - 1
BASIS = [
    int(element, 16)
    for element in "0001 ACCA 3C0E 163E C582 ED2E 914C 4012 6C98 10D8 6A72 B900 FDB8 FB34 FF38 991E".split()
]


def _powers():
    """Powers of x, which generates the field (checked here), and the exponent of each element but 0."""
    exp, log, element = [0] * ORDER, [0] * 2**16, 1
    for k in range(ORDER):
        exp[k], log[element] = element, k
        element <<= 1
        if element >> 16:
            element ^= FIELD_POLYNOMIAL
    assert element == 1 and len(set(exp)) == ORDER
    return numpy.array(exp, dtype=numpy.uint32), numpy.array(log, dtype=numpy.uint32)


EXP, LOG = _powers()


def _element_of_word():
    table = numpy.zeros(2**16, dtype=numpy.uint32)
    for bit, element in enumerate(BASIS):
        table[1 << bit : 2 << bit] = table[: 1 << bit] ^ element
    return table


PHI = _element_of_word()
WORD = numpy.zeros(2**16, dtype=numpy.uint32)
WORD[PHI] = numpy.arange(2**16, dtype=numpy.uint32)


def times(one, other):
    return 0 if 0 in (one, other) else int(EXP[(int(LOG[one]) + int(LOG[other])) % ORDER])


def divided(one, other):
    return 0 if one == 0 else int(EXP[(int(LOG[one]) - int(LOG[other])) % ORDER])


def scaled(factor, elements):
    """Each element of an array times one factor."""
    if factor == 0:
        return numpy.zeros_like(elements)
    product = EXP[(LOG[elements] + LOG[factor]) % ORDER]
    return numpy.where(elements == 0, 0, product)


def elements_of(shard):
    """The field elements that the words of a shard stand for, in word order."""
    blocks = numpy.frombuffer(shard, dtype=numpy.uint8).reshape(-1, 2, 32).astype(numpy.uint32)
    return PHI[(blocks[:, 0, :] | blocks[:, 1, :] << 8).reshape(-1)]


def shard_of(elements):
    words = WORD[elements].reshape(-1, 1, 32)
    return numpy.concatenate([words & 255, words >> 8], axis=1).astype(numpy.uint8).tobytes()


def weight(points, place, at):
    """Lagrange's basis polynomial: 1 at one of the points, 0 at the others, taken at `at`."""
    above, below = 1, 1
    for other, point in enumerate(points):
        if other != place:
            above = times(above, at ^ point)
            below = times(below, points[place] ^ point)
    return divided(above, below)


def recovery_shards(data_shards, count):
    """The recovery shards of a group of data shards."""
    m = 1
    while m < count:
        m *= 2
    rows = [elements_of(shard) for shard in data_shards]
    found = []
    for r in range(count):
        total = numpy.zeros_like(rows[0])
        for place, row in enumerate(rows):
            run, t = divmod(place, m)
            points = [int(PHI[m + run * m + s]) for s in range(m)]
            total ^= scaled(weight(points, t, int(PHI[r])), row)
        found.append(shard_of(total))
    return found


def demanded_shards(region, percent):
    """(group, index) to (shard, table) for every recovery frame of a region."""
    size = recovery.shard_size(len(region))
    found = {}
    for band in recovery.bands(len(region), percent):
        for group in band.groups:
            data_shards = [region[i * size : (i + 1) * size].ljust(size, b"\0") for i in group.data_shards]
            table = b"".join(sha256(shard).digest()[: recovery.TABLE_DIGEST] for shard in data_shards)
            for index, shard in enumerate(recovery_shards(data_shards, band.recovery_shards)):
                found[group.number, index] = shard, table
    return found
