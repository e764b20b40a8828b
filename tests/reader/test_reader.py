"""The independent reader over whole files: the test vectors, damaged copies of them, and the CDDL.

Files that no vector covers are made here by rewriting the frames of a vector.
"""

import json

import cbor2
import pytest
import zstandard

import carrylog_frames as frames
import carrylog_reader
import carrylog_recovery
import carrylog_shapes as shapes
import carrylog_shards
import carrylog_trace
import check_cddl
import check_vectors
import strict_cbor
from carrylog_maker import join, split

VECTORS = check_vectors.VECTORS
pytestmark = pytest.mark.skipif(not (VECTORS / "manifest.json").exists(), reason="no vectors yet")


def vectors():
    manifest = VECTORS / "manifest.json"
    return json.loads(manifest.read_text("utf-8"))["vectors"] if manifest.exists() else []


def good(name):
    return (VECTORS / "good" / f"{name}.carrylog").read_bytes()


AUTHORITY = [bytes.fromhex(key) for key in (vectors() or [{"authorities": []}])[0]["authorities"]]


def verify(data, **options):
    return carrylog_reader.verify(data, AUTHORITY, **options)


@pytest.mark.parametrize("vector", vectors(), ids=lambda v: v["file"])
def test_vector(vector):
    data = (VECTORS / vector["file"]).read_bytes()
    keys = [bytes.fromhex(key) for key in vector["authorities"]]
    kept = [bytes.fromhex(head) for head in vector.get("kept_heads", [])]
    for use_traces in (False, True):
        assert check_vectors.disagreement(vector, carrylog_reader.verify(data, keys, use_traces, kept)) is None


def test_the_specs_own_hex_example_is_accepted_and_made_again():
    spec = (VECTORS.parent / "SPEC.md").read_text("utf-8")
    block = spec.split("<!-- worked-example:begin -->")[1].split("<!-- worked-example:end -->")[0]
    lines = [line for line in block.splitlines() if line.strip() and not line.lstrip().startswith((";", "`"))]
    data = bytes.fromhex("".join(line.split()[1] for line in lines))
    verdict = verify(data)
    assert verdict["ok"] and verdict["entries"] == 1, verdict
    # Taken apart and put together again by this reader's own writer: the same bytes.
    assert join(split(data)) == data


def test_every_rule_that_can_have_a_vector_has_one():
    spec = (VECTORS.parent / "SPEC.md").read_text("utf-8")
    rules = {line[4:].split("**")[0] for line in spec.splitlines() if line.startswith("- **") and "MUST" in line[:60]}
    broken = {vector["rule"] for vector in vectors() if vector["expect"] == "refuse"}
    assert {"B-1", "E-1", "S-1", "R-1"} <= rules
    # I-1 is not in the bytes, F-2 and F-8 are for servers, and SPEC.md says so.
    assert rules - broken == {"I-1", "F-2", "F-8"}


# Every place of the smallest file; of the others every fifth, to keep this under half a minute.
PLACES = [("example", 1), ("segment-later", 5), ("return", 5), ("unit-history", 5), ("recovery", 13)]


@pytest.mark.parametrize("name, stride", PLACES)
def test_a_flipped_bit_anywhere_is_refused(name, stride):
    data = good(name)
    assert verify(data)["ok"]
    for at in range(0, len(data), stride):
        damaged = bytearray(data)
        damaged[at] ^= 1 << at % 8
        verdict = verify(bytes(damaged))
        assert not verdict["ok"] and 0 <= verdict["offset"] <= len(data), at


@pytest.mark.parametrize("name, stride", PLACES[:-1])
def test_a_file_cut_short_anywhere_is_refused_as_the_mediums_fault(name, stride):
    data = good(name)
    for length in range(0, len(data), stride):
        verdict = verify(data[:length])
        assert (verdict["ok"], verdict["class"]) == (False, "medium"), length


def test_rewriting_the_frames_of_a_file_gives_the_same_file():
    for name in ("segment", "return", "unit-history"):
        assert join(split(good(name))) == good(name)


def test_payloads_are_what_a_general_purpose_encoder_writes_in_canonical_form():
    # A check of the strict decoder by another's encoder. Integer and text keys of one payload never
    # mix here, so the length-first order of RFC 7049 and that of RFC 8949 agree.
    checked = 0
    for vector in vectors():
        if vector["expect"] == "accept":
            for rule, item, _ in check_cddl.items_of((VECTORS / vector["file"]).read_bytes()):
                if rule in check_cddl.RULES.values():
                    value = strict_cbor.decode(item, tags={18, *carrylog_trace.WIDTH_BY_TAG})
                    assert cbor2.dumps(value, canonical=True) == item
                    checked += 1
    assert checked > 50


def test_the_order_of_statements_changes_nothing_that_follows():
    parts = split(good("segment"))
    statements = [part for part in parts if part[0] == frames.STATEMENT]
    rest = [part for part in parts if part[0] not in (frames.STATEMENT, frames.HEADER)]
    assert len(statements) > 2
    forward = verify(join([parts[0], *statements, *rest]))
    backward = verify(join([parts[0], *reversed(statements), *rest]))
    assert forward["ok"] and forward == backward


def test_a_statement_left_out_of_a_chain_is_noted():
    parts = split(good("segment"))
    last = max(i for i, part in enumerate(parts) if part[0] == frames.STATEMENT)
    del parts[last - 1]
    notes = verify(join(parts)).get("notes")
    assert notes and "are not in the file" in notes[0]


def refused(parts):
    verdict = verify(join(parts))
    return None if verdict["ok"] else (verdict["rule"], verdict["class"])


def test_frames_out_of_place_are_refused_by_rule():
    parts = split(good("segment"))
    kinds = [kind for kind, _ in parts]
    first_entry, first_seal = kinds.index(frames.ENTRY), kinds.index(frames.SEAL)
    last_seal = max(i for i, kind in enumerate(kinds) if kind == frames.SEAL)
    trace = kinds.index(frames.TRACE)
    assert refused(parts) is None
    assert refused(parts[:first_entry]) == ("S-4", "maker")
    assert refused(parts[: last_seal]) == ("S-4", "maker")
    assert refused(parts[: last_seal + 1] + [parts[last_seal]]) == ("S-2", "maker")
    assert refused(parts[: last_seal + 1] + [parts[first_entry]]) == ("B-7", "maker")
    assert refused(parts[:1] + [parts[trace]] + parts[1:]) == ("B-7", "maker")
    assert refused(parts[:first_entry] + [parts[trace]] + parts[first_entry:]) == ("X-1", "maker")
    assert refused(parts[:first_seal] + parts[first_seal + 1 :]) == ("S-2", "maker")
    assert refused(parts + [parts[0]]) == ("B-7", "maker")
    assert refused([(frames.HEADER, parts[0][1])] * 2 + parts[1:]) == ("B-7", "maker")


def test_a_return_without_a_log_carries_no_receipts():
    parts = split(good("return"))
    parts[0] = (frames.HEADER, cbor2.dumps({"return": {"v": 1}}, canonical=True))
    assert refused(parts) == ("B-7", "maker")


def test_receipts_of_a_return_are_all_for_its_log():
    parts = split(good("return"))
    parts[0] = (frames.HEADER, cbor2.dumps({"return": {"v": 1, "log": bytes(32)}}, canonical=True))
    assert refused(parts) == ("R-1", "maker")


def test_recovery_shards_are_those_of_the_definition_in_the_text():
    data = good("recovery")
    *_, end = frames.read_frames(data)
    contents = carrylog_recovery.check_after_end(data, end.end)
    shards = carrylog_shards.demanded_shards(data[: end.end], contents[0]["percent"])
    assert len(shards) == len(contents) > 0
    for content in contents:
        assert (content["shard"], content["table"]) == shards[content["group"], content["index"]]
    assert data[: end.end] == good("segment")


def trace_of(columns):
    content = carrylog_trace.write_columns(columns)
    return content, zstandard.ZstdCompressor().compress(content)


COLUMNS = {
    "time_us": [0, 1_000_000, 2_000_000, 3_600_000_000],
    "current_ua": [-40_000_000, -40_000_000, -40_000_000, -40_000_000],
    "voltage_uv": [25_400_000, 25_390_001, 25_380_003, 21_000_000],
}


def test_traces_are_read_back_as_written():
    content, frame = trace_of(COLUMNS)
    assert carrylog_trace.read_columns(carrylog_trace.expand(frame)) == COLUMNS
    # 40 A for 3600 s is 40 Ah.
    assert carrylog_trace.charge_uah(COLUMNS) == {"charged_uah": 0, "discharged_uah": 40_000_000}
    packed = cbor2.loads(content)
    assert [column["delta"].tag for column in packed["columns"]] == [77, 72, 78]
    assert [column["step"] for column in packed["columns"]] == [1_000_000, 1, 1]


def test_typed_array_tags_follow_the_bit_layout_of_rfc8746_section_2_1():
    # 0b010_f_s_e_ll: not floating, signed, little endian (no endianness for one byte), length 0 to 3.
    for ll, width in enumerate((1, 2, 4, 8)):
        little = 0 if width == 1 else 1
        assert carrylog_trace.TAG_BY_WIDTH[width] == 0b010_0_1_0_00 | little << 2 | ll


def test_traces_in_any_other_form_are_refused():
    content, frame = trace_of(COLUMNS)
    packed = cbor2.loads(content)

    def with_column(index, **changes):
        columns = [dict(column) for column in packed["columns"]]
        columns[index].update(changes)
        return cbor2.dumps({**packed, "columns": columns}, canonical=True)

    wider = cbor2.CBORTag(77, bytes(6))
    forms = {
        "a step of 2 for zeros": with_column(1, step=2),
        "a wider array than needed": with_column(1, delta=wider),
        "an unknown column": with_column(1, name="resistance"),
        "a column twice": with_column(1, name="time_us"),
        "too few differences": with_column(1, delta=cbor2.CBORTag(72, bytes(2))),
        "time backwards": trace_of({**COLUMNS, "time_us": [0, 2, 1, 3]})[0],
        "columns in another order": trace_of(dict(reversed(COLUMNS.items())))[0],
        "no voltage": cbor2.dumps({**packed, "columns": packed["columns"][:2]}, canonical=True),
        "another version": cbor2.dumps({**packed, "v": 2}, canonical=True),
        "bytes after it": content + b"\x00",
    }
    for what, form in forms.items():
        with pytest.raises(carrylog_trace.TraceFault):
            carrylog_trace.read_columns(form)
            pytest.fail(what)
    stream = zstandard.ZstdCompressor(write_content_size=False).compress(content)
    for what, data in {
        "no content size": stream,
        "two frames": frame + frame,
        "a byte after the frame": frame + b"\x00",
        "a frame cut short": frame[:-1],
        "a skippable frame": bytes.fromhex("502a4d1804000000") + bytes(4) + frame,
        "nothing": b"",
    }.items():
        with pytest.raises(carrylog_trace.TraceFault):
            carrylog_trace.expand(data)
            pytest.fail(what)


def test_text_is_refused_where_a_person_could_not_see_what_it_holds():
    shape = shapes.text(8)
    for sound in ("a", "ab cd", "éééé", "a\u0301"):
        shape(sound, "text")
    for wrong in ("", " a", "a ", "a\tb", "a\x00b", "a\x7fb", "a\u0085b", "\u00a0a", "ééééé", "a" * 9, b"a", 5):
        with pytest.raises(shapes.ShapeFault):
            shape(wrong, "text")
    for wrong in ("a\nb", "a\u202eb", "a\u200bb", "a\u00adb", "a\ufeffb", "a\U0001fffeb", "a\ue000b"):
        with pytest.raises(shapes.ShapeFault):
            shape(wrong, "text")
    shapes.REMARK("line\nend\u200d.", "remark")
    for wrong in ("a\tb", "a\u202eb", "a\u2067b", "a\u0085b"):
        with pytest.raises(shapes.ShapeFault):
            shapes.REMARK(wrong, "remark")


def test_accepted_files_match_the_cddl():
    validator = check_cddl.load_validator()
    seen = set()
    for file in check_cddl.accepted_vectors():
        faults, matched = check_cddl.check_file(validator, file.read_bytes())
        assert faults == []
        seen |= matched.keys()
    assert seen >= set(check_cddl.RULES.values()) | {"known-entry", "frame", "tagged-frame"}


def test_the_cddl_refuses_what_the_reader_refuses():
    validator = check_cddl.load_validator()
    entry = next(payload for kind, payload in split(good("segment")) if kind == frames.ENTRY and b"declared" in payload)
    assert validator.validate(entry, root_type="known-entry").valid

    def change(path, value):
        changed = cbor2.loads(entry)
        place = changed
        for key in path[:-1]:
            place = place[key]
        if value is None:
            del place[path[-1]]
        else:
            place[path[-1]] = value
        return changed

    for path, value in [
        (["v"], -1), (["by"], ""), (["by"], "x" * 97), (["at_ms"], -1), (["clock"], "exact"), (["clock"], None),
        (["ext"], {}), (["ext"], {"a": [1]}), (["more"], 1), (["body", "unit", "part"], 5), (["body", "unit"], None),
        (["body", "purpose"], "test"), (["body", "faults"], []), (["body", "slot"], 65536), (["body", "slot"], -1),
        (["body", "declared", "end_voltage_uv"], -(2**53) - 1), (["body", "declared", "energy_uwh"], 2**53 + 1),
        (["body", "trace"], {"rows": 2, "sha256": bytes(31)}), (["body", "trace"], {"rows": 2}),
    ]:
        changed = change(path, value)
        with pytest.raises(shapes.ShapeFault):
            shapes.entry_kind(changed)
            pytest.fail(f"{path} = {value!r}")
        item = cbor2.dumps(changed, canonical=True)
        assert not validator.validate(item, root_type="known-entry").valid, (path, value)


def test_the_command_line_prints_a_verdict_and_says_it_in_the_exit_status(capsys, tmp_path):
    authorities = tmp_path / "authorities.json"
    authorities.write_text(json.dumps({"authorities": [key.hex() for key in AUTHORITY]}))
    sound = str(VECTORS / "good" / "segment.carrylog")
    for authority in (AUTHORITY[0].hex(), str(authorities)):
        assert carrylog_reader.main(["verify", sound, "--authority", authority, "--traces"]) == 0
        assert json.loads(capsys.readouterr().out)["ok"] is True
    missing = str(tmp_path / "missing.carrylog")
    assert carrylog_reader.main(["verify", missing, "--authority", AUTHORITY[0].hex()]) == 1
    assert json.loads(capsys.readouterr().out)["rule"] == "I-1"
