#!/usr/bin/env python3
"""Opens files made by the real programs with the independent reader written from SPEC.md.

A journey with the release programs (station, two packs, delivery to a server, return), then: strict
verdicts (leaf hashes, roots, seal signatures and the previous-seal chain computed again), the
receipts as COSE Receipts, and the capacity of a published cell by a trapezoid of its own.
Source of the cell: PyPI battery-data-toolkit 0.4.6, Apache-2.0 (fixtures/published/README.md); stated
discharge by the tester's own counter, 1.072360 and 1.072909 Ah.
"""

import json
import os
import pathlib
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "reader"))

import carrylog_frames  # noqa: E402
import carrylog_reader  # noqa: E402
import carrylog_receipts  # noqa: E402
import carrylog_trace  # noqa: E402
import check_cddl  # noqa: E402
import cose_sign1  # noqa: E402
import receipt_check  # noqa: E402
import strict_cbor  # noqa: E402

PROGRAMS = pathlib.Path(os.environ.get("CARRYLOG_PROGRAMS", ROOT / "target" / "release"))
PROGRAM = PROGRAMS / "carrylog"
SERVER = PROGRAMS / "carrylog-server"
STATED_AH = [1.072360, 1.072909]
passed = 0


def check(what: str, good: bool, detail: str = "") -> None:
    global passed
    if not good:
        print(f"FAILED: {what} {detail}")
        sys.exit(1)
    passed += 1
    print(f"ok: {what} {detail}".rstrip())


def run(folder: pathlib.Path, *arguments: str) -> dict:
    environment = {**os.environ, "CARRYLOG_NOW": "2026-03-01T08:00:00Z", "CARRYLOG_OPERATOR": "Tech 7 (invented)"}
    done = subprocess.run([PROGRAM, *arguments, "--json"], cwd=folder, env=environment, capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"carrylog {' '.join(arguments)}: {done.stdout}{done.stderr}")
    return json.loads(done.stdout)


def form(serial: str) -> str:
    return json.dumps(
        {
            "mfr": "FJ001",
            "part": "CELL-L",
            "serial": serial,
            "purpose": "periodic_check",
            "started": "2026-03-01T05:00:00Z",
            "ended": "2026-03-01T07:00:00Z",
        }
    )


def newest(folder: pathlib.Path, start: str) -> pathlib.Path:
    return max(folder.glob(f"{start}*.carrylog"), key=lambda p: p.stat().st_mtime_ns)


def discharges_ah(columns: dict) -> list:
    """Charge of each discharge by the trapezoid rule, phases split where the tester's step changes."""
    time, current, step = columns["time_us"], columns["current_ua"], columns["step"]
    by_phase, phase = {}, 0
    for i in range(1, len(time)):
        if step[i] != step[i - 1]:
            phase += 1
            continue
        part = (time[i] - time[i - 1]) * (current[i] + current[i - 1]) / 2
        by_phase[phase] = by_phase.get(phase, 0) + part
    # A rest drifts by a few microampere-hours; a discharge of this cell is an ampere-hour.
    return [-charge / 3.6e15 for charge in by_phase.values() if charge < -0.1 * 3.6e15]


def traces_of(data: bytes) -> list:
    expanded = (carrylog_trace.expand(f.payload) for f in carrylog_frames.read_frames(data) if f.type == carrylog_frames.TRACE)
    return [carrylog_trace.read_columns(content) for content in expanded]


def receipts_of(data: bytes) -> list:
    """Payload of the seal, and the receipt for it, of each receipt frame."""
    slips = (f.payload for f in carrylog_frames.read_frames(data) if f.type == carrylog_frames.RECEIPT)
    return [(payload, receipt) for payload, _, receipt in map(carrylog_receipts.parse_slip, slips)]


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for stick in ("stick", "first", "second"):
            (folder / stick).mkdir()
        run(folder, "authority", "create", "office", "--name", "Fjordline office (invented)")
        run(folder, "station", "create", "bay", "--name", "Bay 1", "--slots", "16", "--authority", "office/authority.pub.json")
        run(folder, "authority", "enrol", "office", "--key", "bay/station.pub.json", "--role", "station")
        subprocess.run([SERVER, "init", "records", "--name", "Records (invented)"], cwd=folder, check=True, capture_output=True)
        run(folder, "authority", "enrol", "office", "--key", "records/server.pub.json", "--role", "server")
        run(folder, "authority", "publish", "office", "stick/office.carrylog")
        run(folder, "station", "adopt", "bay", "stick/office.carrylog")
        subprocess.run(
            [SERVER, "trust", "records", "stick/office.carrylog", "--authority", "office/authority.pub.json"],
            cwd=folder, check=True, capture_output=True,
        )
        authority = json.loads((folder / "office/authority.pub.json").read_text())["key"]
        trace = str(ROOT / "fixtures/published/lfp_cell_2cycles.bdf.csv")
        for n, stick in enumerate(("first", "second"), start=1):
            (folder / "test.json").write_text(form(f"PUB-{n}"))
            run(folder, "capture", "bay", "test.json", "--trace", trace, "--slot", str(n))
            run(folder, "pack", "bay", stick)
        whole = newest(folder / "second", "bay-1")
        data = whole.read_bytes()
        keys = [bytes.fromhex(authority)]
        verdict = carrylog_reader.verify(data, keys, True)
        check("a segment made by the program is accepted by the independent reader", verdict["ok"], str(verdict.get("why", "")))
        check("its entries and seals are counted alike", verdict["entries"] == 3 and len(verdict["seals"]) == 2, f"{verdict['entries']} entries")
        ours = run(folder, "verify", str(whole), "--authority", "office/authority.pub.json")
        said = ours["files"][0]
        shown = cose_sign1.show_key_name(bytes.fromhex(verdict["log"]))
        check("both readers name the same key", any(shown in who for who in said["who"]), shown)
        check("both readers count the same", (said["entries"], said["seals"]) == (verdict["entries"], len(verdict["seals"])))
        traces = traces_of(data)
        check("both tests name one trace, and it is there", bool(traces) and all(trace == traces[0] for trace in traces))
        found = discharges_ah(traces[0])
        near = len(found) == len(STATED_AH) and all(abs(a / b - 1) < 0.001 for a, b in zip(found, STATED_AH))
        check("the published cell's discharges are those its tester counted", near, ", ".join(f"{a:.6f} Ah" for a in found))
        faults, matched = check_cddl.check_file(check_cddl.load_validator(), data)
        check("every element fits the CDDL", not faults and matched["known-entry"] == 3, "; ".join(faults))
        refused = 0
        positions = range(3, len(data), max(1, len(data) // 300))
        for position in positions:
            damaged = bytearray(data)
            damaged[position] ^= 0x20
            refused += not carrylog_reader.verify(bytes(damaged), keys, False)["ok"]
        check("changed bytes are refused by the independent reader", refused == len(positions), f"{refused} of {len(positions)}")

        server = subprocess.Popen(
            [SERVER, "serve", "records", "--listen", "127.0.0.1:0", "--authority", "office/authority.pub.json"],
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        try:
            url = next(word for line in server.stdout for word in line.split() if word.startswith("http://")).rstrip("/.")
            run(folder, "deliver", "second", "--to", url)
            office = ("--authority", "office/authority.pub.json")
            run(folder, "history", "fetch", "FJ001/CELL-L/PUB-1", "--from", url, "--out", "unit.carrylog", *office)
        finally:
            server.terminate()
            server.wait(10)
        made, back = verdict, newest(folder / "second", "return-").read_bytes()
        verdict = carrylog_reader.verify(back, keys, False)
        check("the server's return is accepted: receipts by an enrolled server", verdict["ok"], str(verdict.get("why", "")))
        server_key = bytes.fromhex(json.loads((folder / "records/server.pub.json").read_text())["key"])
        slips = receipts_of(back)
        for payload, receipt in slips:
            # Raises if path or signature do not hold; a receipt for other bytes must raise. The leaf says that
            # it is a seal: a map of one key with the payload as it is (SPEC.md, chapter 10).
            leaf = b"\xa1\x64seal" + payload
            receipt_check.check_inclusion(receipt, server_key, leaf)
            try:
                receipt_check.check_inclusion(receipt, server_key, leaf + b"\0")
                check("a receipt holds for its seal only", False)
            except receipt_check.ReceiptFault:
                pass
        receipted = {strict_cbor.decode(payload)["root"].hex() for payload, _ in slips}
        sealed = {seal["root"] for seal in made["seals"]}
        check("a COSE Receipt holds for each seal", receipted == sealed, f"{len(slips)} receipts")
        verdict = carrylog_reader.verify((folder / "unit.carrylog").read_bytes(), keys, True)
        check("a unit history by the server is accepted with its trace", verdict["ok"], str(verdict.get("why", "")))
        (folder / "locked").mkdir()
        run(folder, "key", "recipient", "reader", "--name", "Records office (invented)")
        run(folder, "pack", "bay", "locked", "--from-start", "--encrypt-to", "reader.pub.json")
        locked = newest(folder / "locked", "bay-1")
        verdict = carrylog_reader.verify(locked.read_bytes(), keys, False)
        check("an encrypted bundle is whole to a reader without its key", verdict["ok"], str(verdict.get("why", "")))
        every = [whole, newest(folder / "second", "return-"), folder / "unit.carrylog", locked, folder / "stick/office.carrylog"]
        check("files of every kind by the programs fit the CDDL", check_cddl.main([str(path) for path in every]) == 0)
    print(f"{passed} passed, 0 failed")


if __name__ == "__main__":
    main()
