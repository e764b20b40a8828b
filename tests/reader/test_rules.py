"""Rules of SPEC.md on files made for them: trust, dates, aliases, order, limits, references.

Each file is made by `carrylog_maker` and breaks one rule or none.
"""

import pytest
import zstandard

import carrylog_frames as frames
import carrylog_maker as make
import carrylog_reader
import carrylog_receipts
import carrylog_recovery as recovery
import carrylog_trace
import check_cddl
import rfc9162_tree as tree
from carrylog_maker import AUTHORITY, PARTNER, SERVER, STATION, UNIT, Chain

DAY_MS = 86_400_000
ENTRIES = [make.opened(), make.a_test()]
LEAVES = [tree.leaf_hash(entry) for entry in ENTRIES]
OTHER = {**UNIT, "serial": "SN-0002"}
THIRD = {**UNIT, "serial": "SN-0003"}


def verdict(parts):
    """`ok`, or the rule and the class that a file is refused by."""
    found = carrylog_reader.verify(make.join(parts), [make.public(AUTHORITY)], use_traces=True)
    return "ok" if found["ok"] else f"{found['rule']} {found['class']}"


def spoil(statement):
    return statement[:-1] + bytes([statement[-1] ^ 1])


def enrolled():
    return Chain().enrol(STATION).enrol(SERVER, "server").statements


def test_made_files_are_accepted():
    sealed = make.seal(LEAVES)
    assert verdict(make.segment(enrolled(), ENTRIES)) == "ok"
    assert verdict(make.history(enrolled(), ENTRIES)) == "ok"
    assert verdict(make.return_bundle(enrolled(), [make.receipt(sealed)])) == "ok"


# ---- trust (chapter 8) ----


@pytest.mark.parametrize("dates, at_ms, expected", [
    ({"until": "2026-01-01"}, make.T0_MS + DAY_MS - 1, "ok"),
    ({"until": "2026-01-01"}, make.T0_MS + DAY_MS, "T-3 trust"),
    ({"from": "2026-01-01"}, make.T0_MS, "ok"),
    ({"from": "2026-01-01"}, make.T0_MS - 1, "T-3 trust"),
])
def test_both_dates_of_an_enrolment_are_days_of_it(dates, at_ms, expected):
    statements = Chain().enrol(STATION, **dates).statements
    assert verdict(make.segment(statements, ENTRIES, at_ms=at_ms)) == expected


def test_the_latest_enrolment_counts_wherever_it_stands():
    demoted = Chain().enrol(STATION).enrol(STATION, "person").statements
    promoted = Chain().enrol(STATION, "person").enrol(STATION).statements
    for order in (1, -1):
        assert verdict(make.segment(demoted[::order], ENTRIES)) == "T-2 trust"
        assert verdict(make.segment(promoted[::order], ENTRIES)) == "ok"


def test_trust_goes_one_step_and_a_chosen_authority_ranks_above_it():
    partner = Chain(PARTNER).enrol(STATION).statements
    assert verdict(make.segment(Chain().trust(PARTNER).statements + partner, ENTRIES)) == "ok"
    assert verdict(make.segment(partner + Chain().trust(PARTNER).statements, ENTRIES)) == "ok"
    assert verdict(make.segment(Chain().statements + partner, ENTRIES)) == "T-2 trust"
    second = Chain(PARTNER).trust(6).statements + Chain(6).enrol(STATION).statements
    assert verdict(make.segment(Chain().trust(PARTNER).statements + second, ENTRIES)) == "T-2 trust"
    overruled = Chain().trust(PARTNER).enrol(STATION, "person").statements
    assert verdict(make.segment(overruled + partner, ENTRIES)) == "T-2 trust"


def test_a_statement_of_a_trusted_authority_that_does_not_hold_is_refused_in_any_order():
    trusting = Chain().trust(PARTNER).enrol(STATION).statements
    bad = spoil(Chain(PARTNER).statements[0])
    assert verdict(make.segment(trusting + [bad], ENTRIES)) == "T-1 maker"
    assert verdict(make.segment([bad] + trusting, ENTRIES)) == "T-1 maker"
    assert verdict(make.segment(Chain().enrol(STATION).statements + [bad], ENTRIES)) == "ok"


def test_a_revoked_station_is_shown_and_a_revoked_servers_receipts_count_no_more():
    revoked = Chain().enrol(STATION).revoke(STATION, 1).statements
    found = carrylog_reader.verify(make.join(make.segment(revoked, ENTRIES)), [make.public(AUTHORITY)])
    assert (found["ok"], found["revoked_from"]) == (True, 1)
    for from_size in (0, 1, 9):
        statements = Chain().enrol(STATION).enrol(SERVER, "server").revoke(SERVER, from_size).statements
        slips = [make.receipt(make.seal(LEAVES))]
        assert verdict(make.return_bundle(statements, slips)) == "R-1 trust"
        assert verdict(make.history(statements, ENTRIES, receipts=slips)) == "R-1 trust"


def test_a_partners_revocation_reaches_only_its_own_keys():
    foreign = Chain().trust(PARTNER).enrol(STATION).statements + Chain(PARTNER).revoke(STATION, 1).statements
    own = Chain().trust(PARTNER).statements + Chain(PARTNER).enrol(STATION).revoke(STATION, 1).statements
    untrusted = Chain().enrol(STATION).statements + Chain(PARTNER).revoke(STATION, 1).statements
    for statements, expected in ((foreign, None), (own, 1), (untrusted, None)):
        found = carrylog_reader.verify(make.join(make.segment(statements, ENTRIES)), [make.public(AUTHORITY)])
        assert (found["ok"], found["revoked_from"]) == (True, expected)


def test_a_statement_is_taken_back_by_its_own_authority_only():
    def named(chain, place):
        return frames.sha256(carrylog_reader.cose_sign1.parse_sign1(chain.statements[place]).payload).digest()

    def found(statements):
        read = carrylog_reader.verify(make.join(make.segment(statements, ENTRIES)), [make.public(AUTHORITY)])
        return read["revoked_from"] if read["ok"] else f"{read['rule']} {read['class']}"

    chain = Chain().enrol(STATION).revoke(STATION, 1)
    revocation = {"withdrawn": {"reason": "A slip.", "statement": named(chain, 2)}}
    assert found(chain.statements) == 1
    foreign = Chain(PARTNER).state(revocation).statements
    assert found(chain.statements + foreign) == 1
    chain.state(revocation)
    assert found(chain.statements) is None
    assert found(chain.statements[::-1]) is None
    chain = Chain().trust(PARTNER)
    partner = Chain(PARTNER).enrol(STATION).statements
    assert found(chain.statements + partner) is None
    chain.state({"withdrawn": {"reason": "The contract ended.", "statement": named(chain, 1)}})
    assert found(chain.statements + partner) == "T-2 trust"


def test_a_sign_off_that_names_an_enrolled_key_holds_under_it():
    test = ENTRIES[1]
    spoilt = make.sign_off(test, index=1)
    spoilt = spoilt.replace(b"Seen.", b"Done.")
    known = Chain().enrol(STATION).enrol(9, "person", roles=["inspector"]).statements
    assert verdict(make.segment(known, [*ENTRIES, make.sign_off(test, index=1)])) == "ok"
    assert verdict(make.segment(known, [*ENTRIES, spoilt])) == "W-1 maker"
    assert verdict(make.segment(enrolled(), [*ENTRIES, spoilt])) == "ok"
    assert verdict(make.history(known, [*ENTRIES, spoilt])) == "W-1 maker"


@pytest.mark.parametrize("dates, expected", [
    ({"from": "2026-01-01", "until": "2026-01-01"}, "ok"),
    ({"until": "2025-12-31"}, "R-1 trust"),
    ({"from": "2026-01-02"}, "R-1 trust"),
])
def test_a_receipt_is_issued_within_the_dates_of_the_server(dates, expected):
    statements = Chain().enrol(STATION).enrol(SERVER, "server", **dates).statements
    slips = [make.receipt(make.seal(LEAVES))]
    assert verdict(make.return_bundle(statements, slips)) == expected
    assert verdict(make.history(statements, ENTRIES, receipts=slips)) == expected


def spoilt_file(parts):
    data = make.join(parts)
    return data[:-1] + bytes([data[-1] ^ 1])


def test_only_a_stations_enrolment_is_judged_after_everything_else():
    slips = [make.receipt(make.seal(LEAVES))]
    assert verdict_of(spoilt_file(make.return_bundle(Chain().statements, slips))) == "R-1 trust"
    assert verdict_of(spoilt_file(make.segment(Chain().statements, ENTRIES))) == "B-4 medium"
    assert verdict(make.return_bundle(Chain().statements, slips, seed=7)) == "R-1 maker"
    incomplete = make.with_recovery(BUNDLE, make.recovery(BUNDLE, 10)[:-1])
    assert verdict_of(incomplete) == "B-9 medium"


def test_of_statements_by_unknown_authorities_only_the_envelope_is_looked_at():
    odd = make.sign(PARTNER, "statement", make.pack({"v": 1}))
    assert verdict(make.segment(enrolled() + [odd], ENTRIES)) == "ok"
    assert verdict(make.segment(enrolled() + [b"no envelope"], ENTRIES)) == "T-1 maker"


def test_no_date_is_before_1970():
    assert verdict(make.segment(Chain().enrol(STATION, **{"from": "1969-12-31"}).statements, ENTRIES)) == "T-1 maker"
    assert verdict(make.segment(Chain().enrol(STATION, **{"from": "1970-01-01"}).statements, ENTRIES)) == "ok"


def test_a_key_that_is_no_point_of_the_curve_cannot_be_enrolled():
    weak = {"enrolled": {"key": bytes([1]) + bytes(31), "name": "Weak", "role": "station"}}
    off_curve = {"enrolled": {"key": bytes([2]) + bytes(31), "name": "Off", "role": "station"}}
    for body in (weak, off_curve):
        assert verdict(make.segment(Chain().enrol(STATION).state(body).statements, ENTRIES)) == "T-1 maker"


# ---- segments (chapters 6, 7, 9.1) ----


def test_a_segment_goes_on_from_a_frontier_and_holds_an_entry():
    first = make.seal(LEAVES[:1])
    second = make.seal(LEAVES, seq=1, prev=make.seal_name(first))
    assert verdict(make.segment(enrolled(), ENTRIES, seals={1: first, 2: second})) == "ok"
    assert verdict(make.segment(enrolled(), ENTRIES, start=1, seals={2: second})) == "ok"
    assert verdict(make.segment(enrolled(), ENTRIES, start=1, seals={1: first, 2: second})) == "S-2 maker"
    assert verdict(make.segment(enrolled(), ENTRIES, start=2)) == "B-6 maker"
    assert verdict(make.segment(enrolled(), ENTRIES, seals={2: second})) == "S-2 maker"
    assert verdict(make.segment(enrolled(), ENTRIES, start=1)) == "S-2 maker"
    more = [*ENTRIES, make.a_test(OTHER)]
    third = make.seal([tree.leaf_hash(e) for e in more], seq=2, prev=make.seal_name(second))
    assert verdict(make.segment(enrolled(), more, start=2, seals={2: second, 3: third})) == "S-2 maker"
    assert verdict(make.segment(enrolled(), more, start=2, seals={3: third})) == "ok"


@pytest.mark.parametrize("levels, expected", [(15, "ok"), (16, "E-1 maker")])
def test_entries_are_nested_sixteen_levels_at_most(levels, expected):
    body = 1
    for _ in range(levels):
        body = [body]
    assert verdict(make.segment(enrolled(), [make.opened(), make.entry("unheard_of", body)])) == expected


def test_an_entry_has_sixty_four_kib_at_most():
    def of_length(length):
        empty = len(make.entry("unheard_of", bytes(60_000)))
        return make.entry("unheard_of", bytes(60_000 + length - empty))

    assert len(of_length(65_536)) == 65_536
    assert verdict(make.segment(enrolled(), [make.opened(), of_length(65_536)])) == "ok"
    assert verdict(make.segment(enrolled(), [make.opened(), of_length(65_537)])) == "B-3 medium"


def test_what_a_person_signed_is_checked_in_its_structure():
    test = ENTRIES[1]
    assert verdict(make.segment(enrolled(), [*ENTRIES, make.sign_off(test)])) == "ok"
    for wrong in (make.sign_off(test, role="owner"), make.sign_off(test, more=1), make.entry("sign_off", {"sign1": b""})):
        assert verdict(make.segment(enrolled(), [*ENTRIES, wrong])) == "E-1 maker"


# ---- unit histories (chapter 9.3) ----


def test_a_history_holds_its_unit_under_any_of_its_names():
    spelled = {"mfr": "fj 001", "part": "fb-44-2", "serial": "sn-0001"}
    assert verdict(make.history(enrolled(), [make.a_test(spelled)])) == "ok"
    assert verdict(make.history(enrolled(), [make.a_test(OTHER)])) == "H-2 maker"
    named = Chain().enrol(STATION).alias(UNIT, OTHER).statements
    assert verdict(make.history(named, [make.a_test(OTHER)])) == "ok"
    assert verdict(make.history(named, [make.a_test(UNIT)], unit=OTHER)) == "ok"
    twice = Chain().enrol(STATION).alias(UNIT, OTHER).alias(OTHER, THIRD).statements
    assert verdict(make.history(twice, [make.a_test(THIRD)])) == "ok"


def test_a_partners_alias_does_not_count():
    statements = Chain().enrol(STATION).trust(PARTNER).statements + Chain(PARTNER).alias(UNIT, OTHER).statements
    assert verdict(make.history(statements, [make.a_test(OTHER)])) == "H-2 maker"


def test_corrections_and_sign_offs_stand_with_what_they_are_about():
    test = make.a_test()
    fix = make.correction(test)
    assert verdict(make.history(enrolled(), [test, fix, make.sign_off(fix, index=1)])) == "ok"
    assert verdict(make.history(enrolled(), [test, fix, make.sign_off(fix)])) == "H-2 maker"
    assert verdict(make.history(enrolled(), [test, fix], order=[1, 0])) == "ok"
    assert verdict(make.history(enrolled(), [test, fix], order=[1])) == "H-2 maker"
    assert verdict(make.history(enrolled(), [test, make.entry("unheard_of", 1)])) == "H-2 maker"


def test_a_history_is_sealed_within_the_dates_of_the_station():
    late = Chain().enrol(STATION, until="2025-12-31").statements
    assert verdict(make.history(late, ENTRIES)) == "T-3 trust"


# ---- recovery data (chapter 11) ----


def verdict_of(data):
    found = carrylog_reader.verify(data, [make.public(AUTHORITY)])
    return "ok" if found["ok"] else f"{found['rule']} {found['class']}"


BUNDLE = make.join(make.segment(enrolled(), ENTRIES))


@pytest.mark.parametrize("percent", [1, 10, 50, 100])
def test_recovery_data_is_complete_in_order_and_of_these_bytes(percent):
    contents = make.recovery(BUNDLE, percent)

    def with_frames(contents):
        return verdict_of(make.with_recovery(BUNDLE, contents))

    assert len(contents) >= 2 and with_frames(contents) == "ok"
    assert with_frames(contents[:-1]) == "B-9 medium"
    assert with_frames(contents[::-1]) == "B-9 maker"
    assert with_frames(contents + contents[-1:]) == "B-9 maker"
    for change in (
        {"v": 2}, {"length": len(BUNDLE) + 1}, {"whole": bytes(32)}, {"shard": bytes(64)}, {"table": bytes(8)},
        {"percent": 0}, {"percent": 101}, {"group": 1}, {"more": 1},
    ):
        assert with_frames([{**content, **change} for content in contents]) == "B-9 maker", change
    moved = make.with_recovery(BUNDLE, contents, shift=1)
    assert verdict_of(moved) == "B-9 maker"


def test_the_layout_keeps_to_the_bounds_that_chapter_3_and_cddl_set():
    for length in [1, 4096, 4097, 65_536, 10**6, 2**20 + 1, 2**22 + 1, 10**8, 10**9]:
        size, seen = recovery.shard_size(length), []
        for percent in (1, 10, 100):
            numbers = []
            for band in recovery.bands(length, percent):
                assert 2 <= band.recovery_shards <= 128 and len(band.groups) <= 64
                assert band.recovery_shards * len(band.groups) * size <= 2**24 or len(band.groups) == 1
                numbers += [group.number for group in band.groups]
                seen = [i for group in band.groups for i in group.data_shards]
                assert all(1 <= len(group.data_shards) <= 128 for group in band.groups)
            assert numbers == list(range(len(numbers)))
            assert max(seen) == recovery.ceil_div(length, size) - 1


def test_every_data_shard_is_in_one_group():
    for length in (1, 70_000, 9_000_000):
        for percent in (1, 100):
            held = [i for band in recovery.bands(length, percent) for group in band.groups for i in group.data_shards]
            assert sorted(held) == list(range(recovery.ceil_div(length, recovery.shard_size(length))))


# ---- encrypted bundles (chapter 12) ----


def encrypted(sizes, recipients=(bytes(32), bytes([1]) * 32), **more):
    header = {"v": 1, "recipients": list(recipients), **more}
    return [(frames.HEADER, make.pack({"encrypted": header}))] + [(frames.SEALED, bytes(size)) for size in sizes]


def test_the_envelope_of_an_encrypted_bundle_is_checked_without_a_key():
    full = 262_144
    for sizes in ([1], [full], [full, 1], [full, full]):
        assert verdict(encrypted(sizes)) == "ok"
    for sizes in ([], [0], [full + 1], [1, 1], [full, 0], [full - 1, full]):
        assert verdict(encrypted(sizes)) == "B-7 maker", sizes
    one, two = bytes(32), bytes([1]) * 32
    for recipients in ([], [two, one], [one, one], [bytes(31)], [bytes([n]) * 32 for n in range(17)]):
        assert verdict(encrypted([1], recipients)) == "B-6 maker"
    assert verdict(encrypted([1], [bytes([n]) * 32 for n in range(16)])) == "ok"
    assert verdict(encrypted([1], more=1)) == "B-6 maker"
    found = carrylog_reader.verify(make.join(encrypted([full, 1])), [])
    assert (found["kind"], found["whole"], found["sealed_frames"]) == ("encrypted", True, 2)
    assert found["recipients"] == [one.hex(), two.hex()]
    assert check_cddl.check_file(check_cddl.load_validator(), make.join(encrypted([full, 1])))[0] == []
    assert verdict(encrypted([1])[:1] + [(frames.STATEMENT, enrolled()[0])] + encrypted([1])[1:]) == "B-7 maker"


# ---- traces (chapter 5) ----


def traced(expanded, **reference):
    name = frames.sha256(expanded).digest()
    return {"rows": 2, "sha256": name, **reference}


def with_frame(parts, payload, back):
    return parts[: len(parts) - back] + [(frames.TRACE, payload)] + parts[len(parts) - back :]


def test_a_trace_stands_after_an_entry_that_names_it():
    content = carrylog_trace.write_columns({"time_us": [0, 1], "current_ua": [0, 1], "voltage_uv": [0, 1]})
    packed = zstandard.ZstdCompressor().compress(content)
    named = make.segment(enrolled(), [make.opened(), make.a_test(trace=traced(content))])
    assert verdict(with_frame(named, packed, back=1)) == "ok"
    assert verdict(with_frame(named, packed, back=0)) == "ok"
    assert verdict(with_frame(named, packed, back=2)) == "X-1 maker"
    assert verdict(with_frame(make.segment(enrolled(), ENTRIES), packed, back=1)) == "X-1 maker"
    new = {"test": make.test_body(trace=traced(content))}
    corrected = make.segment(enrolled(), [*ENTRIES, make.correction(ENTRIES[1], new)])
    assert verdict(with_frame(corrected, packed, back=1)) == "ok"


def test_a_window_of_more_than_eight_mib_is_refused():
    content = bytes(20 << 20)
    named = make.segment(enrolled(), [make.opened(), make.a_test(trace=traced(content))])
    parameters = zstandard.ZstdCompressionParameters(window_log=24, write_content_size=True)
    packed = zstandard.ZstdCompressor(compression_params=parameters).compress(content)
    assert verdict(with_frame(named, packed, back=1)) == "X-1 maker"


# ---- fleet heads (chapter 10) ----


def test_a_fleet_head_is_of_the_server_that_signed_it():
    content = {"v": 1, "log": make.key_name(SERVER), "root": bytes(32), "size": 7, "at_ms": make.T0_MS}
    head = make.sign(SERVER, "fleet-head", make.pack(content))
    assert carrylog_receipts.check_fleet_head(head, make.public(SERVER)) == content
    for wrong, key in (
        (head, STATION),
        (spoil(head), SERVER),
        (make.sign(SERVER, "seal", make.pack(content)), SERVER),
        (make.sign(SERVER, "fleet-head", make.pack({**content, "log": bytes(32)})), SERVER),
    ):
        with pytest.raises(ValueError):
            carrylog_receipts.check_fleet_head(wrong, make.public(key))
