"""Which keys count, as SPEC.md chapter 8 derives it from a set of statements (rule T-1).

Knows nothing of files: the reader hands in statement payloads and asks about keys.
"""

import datetime
from typing import NamedTuple

import carrylog_shapes as shapes
import cose_sign1
import strict_cbor

DAY_MS = 86_400_000


class StatementFault(ValueError):
    """A statement that names a trusted authority does not hold (T-1)."""


class Statement(NamedTuple):
    sign1: cose_sign1.Sign1
    content: dict


class Enrolment(NamedTuple):
    """The enrolment that counts for a key."""

    key: bytes
    name: str
    role: str
    authority: bytes
    valid_from: str | None
    valid_until: str | None

    def covers(self, at_ms):
        """Whether an instant lies on or between the two dates, taken in UTC."""
        day = datetime.date(1970, 1, 1) + datetime.timedelta(days=at_ms // DAY_MS)
        after = self.valid_from is None or datetime.date.fromisoformat(self.valid_from) <= day
        return after and (self.valid_until is None or day <= datetime.date.fromisoformat(self.valid_until))


def parse_statement(data):
    sign1 = cose_sign1.parse_carrylog_sign1(data, "statement")
    content = strict_cbor.decode(sign1.payload)
    shapes.STATEMENT_CONTENT(content, "statement")
    return Statement(sign1, content)


class Trust:
    """Chosen authority keys and what follows from statements under them."""

    def __init__(self, chosen_keys):
        self.chosen = {cose_sign1.key_name(key): key for key in chosen_keys}
        self.by_statement = {}
        self.statements = []
        self.passed_over = 0

    def add_all(self, payloads):
        """Takes over every statement that verifies; returns the place of the first that must not be.

        The order of `payloads` has no influence on what is trusted. Returns None if all hold.
        """
        faults = []
        rest = []
        for place, data in enumerate(payloads):
            try:
                statement = parse_statement(data)
            except ValueError as fault:
                faults.append((place, f"not a statement: {fault}"))
                continue
            if not self._take(place, statement, self.chosen, faults):
                rest.append((place, statement))
        for statement in self.statements:
            body = statement.content["body"]
            if statement.sign1.kid in self.chosen and "authority_trusted" in body:
                key = body["authority_trusted"]["key"]
                name = cose_sign1.key_name(key)
                if name not in self.chosen:
                    self.by_statement[name] = key
        for place, statement in rest:
            if not self._take(place, statement, self.by_statement, faults):
                self.passed_over += 1
        return min(faults, default=None)

    def _take(self, place, statement, authorities, faults):
        """Whether the statement names one of the authorities; if so it is taken over or a fault."""
        named = {statement.sign1.kid, statement.content["authority"]} & authorities.keys()
        if not named:
            return False
        if statement.sign1.kid != statement.content["authority"]:
            faults.append((place, "envelope and content name different authorities"))
        elif not cose_sign1.sign1_holds(statement.sign1, authorities[statement.sign1.kid]):
            faults.append((place, "the signature does not hold under the authority's key"))
        else:
            self.statements.append(statement)
        return True

    def enrolment(self, name):
        """The enrolment that counts for the key of this name, or None."""
        found = []
        for statement in self.statements:
            body = statement.content["body"].get("enrolled")
            if body is None or cose_sign1.key_name(body["key"]) != name:
                continue
            authority = statement.sign1.kid
            rank = 1 if authority in self.chosen else 0
            found.append((rank, statement.content["seq"], authority, body))
        if not found:
            return None
        _, _, authority, body = max(found, key=lambda entry: entry[:3])
        return Enrolment(
            body["key"], body["name"], body["role"], authority, body.get("from"), body.get("until")
        )

    def revoked_from(self, name):
        """The smallest size from which this key's entries do not count, or None."""
        sizes = []
        for statement in self.statements:
            body = statement.content["body"].get("revoked")
            if body is None or body["log"] != name:
                continue
            authority = statement.sign1.kid
            if authority in self.chosen or self._enrolled_by(authority, name):
                sizes.append(body["from_size"])
        return min(sizes, default=None)

    def _enrolled_by(self, authority, name):
        return any(
            statement.sign1.kid == authority
            and "enrolled" in statement.content["body"]
            and cose_sign1.key_name(statement.content["body"]["enrolled"]["key"]) == name
            for statement in self.statements
        )

    def same_units(self, unit):
        """The comparable names of a unit: its own and those that alias statements join to it."""
        names = {comparable(unit)}
        pairs = [
            (comparable(body["unit"]), comparable(body["same_as"]))
            for statement in self.statements
            if statement.sign1.kid in self.chosen
            and (body := statement.content["body"].get("alias")) is not None
        ]
        grown = True
        while grown:
            before = len(names)
            for one, other in pairs:
                if one in names or other in names:
                    names |= {one, other}
            grown = len(names) > before
        return names

    def chain_notes(self):
        """What is missing or doubled in the authorities' chains; for people, no rule refuses it."""
        notes = []
        by_authority = {}
        for statement in self.statements:
            by_authority.setdefault(statement.sign1.kid, {}).setdefault(
                statement.content["seq"], set()
            ).add(statement.sign1.payload)
        for name, chain in sorted(by_authority.items()):
            shown = cose_sign1.show_key_name(name)
            missing = sorted(set(range(max(chain) + 1)) - chain.keys())
            doubled = sorted(seq for seq, payloads in chain.items() if len(payloads) > 1)
            if missing:
                notes.append(f"statements {missing} of authority {shown} are not in the file")
            if doubled:
                notes.append(f"statements {doubled} of authority {shown} exist more than once")
        return notes


def comparable(unit):
    """A unit's name for comparison: white space removed, folded to upper case."""
    return tuple("".join(unit[part].split()).upper() for part in ("mfr", "part", "serial"))
