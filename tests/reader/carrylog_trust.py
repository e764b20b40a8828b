"""Which keys count, as SPEC.md chapter 8 derives it from a set of statements (rule T-1).

Knows nothing of files: the reader hands in statement payloads and asks about keys.
"""

import datetime
from hashlib import sha256
from typing import NamedTuple

import carrylog_shapes as shapes
import cose_sign1
import strict_cbor

DAY_MS = 86_400_000
WITHDRAWABLE = {
    "revoked", "ended", "decided", "limits", "alias", "duplicate_of", "resolved", "branch_chosen", "authority_trusted",
}


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
    partner: bool

    def covers(self, at_ms):
        """Whether an instant lies on or between the two dates, taken in UTC."""
        day = datetime.date(1970, 1, 1) + datetime.timedelta(days=at_ms // DAY_MS)
        after = self.valid_from is None or datetime.date.fromisoformat(self.valid_from) <= day
        return after and (self.valid_until is None or day <= datetime.date.fromisoformat(self.valid_until))


class Trust:
    """Chosen authority keys and what follows from statements under them."""

    def __init__(self, chosen_keys):
        self.chosen = {cose_sign1.key_name(key): key for key in chosen_keys}
        self.by_statement = {}
        self.statements = []
        self.passed_over = 0

    def add_all(self, payloads):
        """Takes over every statement that verifies; returns the place of the first that must not be.

        The order of `payloads` has no influence on what is trusted. Returns None if all hold. A
        statement names an authority by the key name in its protected header.
        """
        faults, envelopes, unreadable = [], [], []
        for place, data in enumerate(payloads):
            try:
                sign1 = cose_sign1.parse_carrylog_sign1(data, "statement")
            except ValueError as fault:
                faults.append((place, f"not a statement: {fault}"))
                continue
            try:
                content = strict_cbor.decode(sign1.payload)
                shapes.STATEMENT_CONTENT(content, "statement")
                envelopes.append((place, Statement(sign1, content)))
            except ValueError as fault:
                unreadable.append((place, sign1.kid, f"not a statement: {fault}"))
        for place, statement in envelopes:
            self._take(place, statement, self.chosen, faults)
        for statement in self.statements:
            trusted = statement.content["body"].get("authority_trusted")
            if trusted and cose_sign1.key_name(trusted["key"]) not in self.chosen:
                self.by_statement[cose_sign1.key_name(trusted["key"])] = trusted["key"]
        for place, statement in envelopes:
            self._take(place, statement, self.by_statement, faults)
        named = self.chosen.keys() | self.by_statement.keys()
        # Of a statement by an authority that is not trusted only the envelope is looked at.
        faults += [(place, why) for place, kid, why in unreadable if kid in named]
        self.passed_over += sum(statement.sign1.kid not in named for _, statement in envelopes)
        self.passed_over += sum(kid not in named for _, kid, _ in unreadable)
        return min(faults, default=None)

    def _take(self, place, statement, authorities, faults):
        """Takes over a statement of one of these authorities, or notes why it does not hold."""
        sign1, content = statement
        if sign1.kid not in authorities:
            return
        if not cose_sign1.sign1_holds(sign1, authorities[sign1.kid]):
            faults.append((place, "the signature does not hold under the authority's key"))
            return
        if content["authority"] != sign1.kid:
            faults.append((place, "envelope and content name different authorities"))
        elif (content["seq"] == 0) != ("prev" not in content):
            faults.append((place, "statement 0, and no other, has no previous statement"))
        elif (content["seq"] == 0) != ("founded" in content["body"]):
            faults.append((place, "statement 0, and no other, is `founded`"))
        else:
            self.statements.append(statement)

    def in_force(self):
        """The statements that their own authority did not withdraw."""
        taken_back = {
            (statement.sign1.kid, statement.content["body"]["withdrawn"]["statement"])
            for statement in self.statements
            if "withdrawn" in statement.content["body"]
        }
        for statement in self.statements:
            name = sha256(statement.sign1.payload).digest()
            kind, = statement.content["body"]
            if kind not in WITHDRAWABLE or (statement.sign1.kid, name) not in taken_back:
                yield statement

    def sides(self):
        """The authorities whose statements count: chosen ones, and partners whose trust is in force."""
        partners = {
            cose_sign1.key_name(statement.content["body"]["authority_trusted"]["key"])
            for statement in self.in_force()
            if statement.sign1.kid in self.chosen and "authority_trusted" in statement.content["body"]
        }
        return self.chosen.keys() | partners

    def enrolment(self, name):
        """The enrolment that counts for the key of this name, or None."""
        found = []
        trusted = self.sides()
        for statement in self.statements:
            body = statement.content["body"].get("enrolled")
            if body is None or cose_sign1.key_name(body["key"]) != name:
                continue
            authority = statement.sign1.kid
            if authority not in trusted or (body["role"] == "witness" and authority not in self.chosen):
                continue
            rank = 1 if authority in self.chosen else 0
            # Where rank and number are equal the statement's name decides, not its place in the file.
            name_of_statement = sha256(statement.sign1.payload).digest()
            found.append((rank, statement.content["seq"], name_of_statement, authority, body))
        if not found:
            return None
        *_, authority, body = max(found, key=lambda entry: entry[:3])
        return Enrolment(
            body["key"], body["name"], body["role"], authority, body.get("from"), body.get("until"),
            authority not in self.chosen,
        )

    def revoked_from(self, name):
        """The smallest size from which this key's entries do not count, or None: its own side says so."""
        enrolment = self.enrolment(name)
        if enrolment is None or enrolment.role == "person":
            return None
        side = {enrolment.authority} if enrolment.partner else self.chosen.keys()
        revocations = (
            statement.content["body"].get("revoked") for statement in self.in_force() if statement.sign1.kid in side
        )
        return min((body["from_size"] for body in revocations if body and body["log"] == name), default=None)

    def same_units(self, unit):
        """The comparable names of a unit: its own and those that alias statements join to it."""
        names = {comparable(unit)}
        pairs = [
            (comparable(body["unit"]), comparable(body["same_as"]))
            for statement in self.in_force()
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
            # A number can be as large as 2^64: what is missing is counted, never listed one by one.
            missing = max(chain) + 1 - len(chain)
            doubled = sorted(seq for seq, payloads in chain.items() if len(payloads) > 1)
            if missing:
                notes.append(f"{missing} statements of authority {shown} are not in the file")
            if doubled:
                notes.append(f"statements {doubled} of authority {shown} exist more than once")
        return notes


def comparable(unit):
    """A unit's name for comparison: white space removed, a to z folded to upper case."""
    fold = str.maketrans("abcdefghijklmnopqrstuvwxyz", "ABCDEFGHIJKLMNOPQRSTUVWXYZ", shapes.WHITE_SPACE)
    return tuple(unit[part].translate(fold) for part in ("mfr", "part", "serial"))
