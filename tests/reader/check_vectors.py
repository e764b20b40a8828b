"""Runs the independent reader over the format's test vectors and compares verdict, rule and class.

    check_vectors.py [VECTORS_DIRECTORY]
"""

import json
import sys
from pathlib import Path

import carrylog_reader

VECTORS = Path(__file__).resolve().parents[2] / "format-spec" / "vectors"


def disagreement(vector, verdict):
    """How a verdict differs from what the manifest expects, or None."""
    if vector["expect"] == "accept":
        if not verdict["ok"]:
            return f"refused by {verdict['rule']} ({verdict['class']}): {verdict['why']}"
        if verdict["entries"] != vector["entries"]:
            return f"{verdict['entries']} entries, not {vector['entries']}"
        return None
    if verdict["ok"]:
        return "accepted"
    found, wanted = (verdict["rule"], verdict["class"]), (vector["rule"], vector["fault"])
    return None if found == wanted else f"refused by {found}: {verdict['why']}; the manifest says {wanted}"


def main(arguments):
    directory = Path(arguments[0]) if arguments else VECTORS
    manifest = directory / "manifest.json"
    if not manifest.exists():
        print(f"no vectors to check: {manifest} does not exist")
        return 2
    vectors = json.loads(manifest.read_text("utf-8"))["vectors"]
    if not vectors:
        print("the manifest lists no vectors")
        return 2
    wrong = 0
    for vector in vectors:
        data = (directory / vector["file"]).read_bytes()
        keys = [bytes.fromhex(key) for key in vector["authorities"]]
        # Reading the values of traces as well must not change any verdict on the listed files.
        for use_traces in (False, True):
            kept = [bytes.fromhex(head) for head in vector.get("kept_heads", [])]
            found = disagreement(vector, carrylog_reader.verify(data, keys, use_traces, kept))
            if found:
                wrong += 1
                print(f"{vector['file']}{' with trace values' if use_traces else ''}: {found}")
                break
    print(f"{len(vectors) - wrong} of {len(vectors)} vectors agree")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
