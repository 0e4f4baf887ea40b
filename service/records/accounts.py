"""Who may come in over the network: accounts, one-time links, sessions, wrong passwords counted.

Passwords are kept as Argon2id hashes (argon2-cffi with its defaults, RFC 9106's second
recommended option); of links and session tokens only SHA-256 is kept, which is enough for values
of 256 random bits.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.errors import Clash, NotFound, Refusal
from service.records.limits import check_text
from service.records.states import ROLES
from service.records.tables import AccountRow, AttemptRow, InvitationRow, SessionRow

SHORTEST, LONGEST = 10, 200  # signs of a password; length is what counts (NIST SP 800-63B)
TOKEN_BYTES = 32
INVITED = timedelta(days=7)
SESSION, RENEWED = timedelta(days=30), timedelta(days=1)
GRACE = timedelta(minutes=2)
"""How long the token before the last is good, for requests that were under way."""
FREE_TRIES, LONGEST_WAIT = 5, timedelta(minutes=15)
FORGOTTEN = timedelta(days=1)
HASHER = PasswordHasher()
# A hash takes 64 MiB: so many are made at once, whoever asks.
HASHING = threading.Semaphore(2)


@dataclass(frozen=True)
class Visitor:
    """Who asks: an account, or whoever sits at the machine itself (no name, no key)."""

    name: str
    role: str
    account: int | None = None

    def may(self, role: str) -> bool:
        """Whether this visitor may do what needs a role."""
        return ROLES.index(self.role) >= ROLES.index(role)


def digest(token: str) -> str:
    """Return the digest of a token, as it is kept."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def check_role(role: str) -> None:
    """Refuse a role that there isn't. Raises Refusal."""
    if role not in ROLES:
        raise Refusal("unknown_role", role=role, known=ROLES)


def hash_password(password: str) -> str:
    """Return a password's hash. Raises Refusal for one that is too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise Refusal("password_length", least=SHORTEST, most=LONGEST)
    with HASHING:
        return HASHER.hash(password.encode("utf-8", "surrogatepass"))


# What a password is tried against where there is no such account, so that it takes as long.
NOBODY = "$argon2id$v=19$m=65536,t=3,p=4$c29tZXNhbHRzb21lc2FsdA$" + "A" * 43


def fits(secret: str, password: str) -> bool:
    """Whether a password is the one of a hash."""
    if len(password) > LONGEST:
        return False
    with HASHING:
        try:
            return HASHER.verify(secret, password.encode("utf-8", "surrogatepass"))
        except (VerificationError, InvalidHashError):
            return False


def find_account(session: Session, name: str) -> AccountRow:
    """Return an open account by its name. Raises NotFound."""
    row = session.scalar(select(AccountRow).where(AccountRow.name == name.strip()))
    if row is None or row.closed:
        raise NotFound("no_such_account", name=name.strip()[:80])
    return row


def accounts(session: Session) -> Sequence[AccountRow]:
    """Return all open accounts."""
    query = select(AccountRow).where(AccountRow.closed.is_(False)).order_by(AccountRow.id)
    return session.scalars(query).all()


def has_owner(session: Session) -> bool:
    """Whether somebody owns these records."""
    query = select(AccountRow.id).where(AccountRow.role == "own", AccountRow.closed.is_(False))
    return session.scalar(query.limit(1)) is not None


def make_account(session: Session, name: str, role: str, secret: str, now: datetime) -> AccountRow:
    """Make an account, in a session that writes. Raises Refusal for a name that is taken."""
    name = " ".join(name.split())
    check_role(role)
    if not name:
        raise Refusal("name_empty")
    check_text("name", name, 80)
    same = select(AccountRow.id).where(func.lower(AccountRow.name) == name.lower())
    if session.scalar(same) is not None:  # a closed one's too: the trail knows that name
        raise Clash("name_taken", name=name)
    row = AccountRow(name=name, role=role, secret=secret, made=now, closed=False)
    session.add(row)
    session.flush()
    return row


def invite(session: Session, role: str, by: str, now: datetime) -> str:
    """Return the token of a one-time link for a helper with a role."""
    check_role(role)
    session.execute(delete(InvitationRow).where(InvitationRow.expires < now - FORGOTTEN))
    token = secrets.token_urlsafe(TOKEN_BYTES)
    row = InvitationRow(digest=digest(token), role=role, by=by[:80], made=now)
    row.expires = now + INVITED
    session.add(row)
    session.flush()
    return token


def find_invitation(session: Session, token: str, now: datetime) -> InvitationRow:
    """Return an invitation that still holds. Raises NotFound."""
    row = session.scalar(select(InvitationRow).where(InvitationRow.digest == digest(token)))
    if row is None or row.used is not None or row.expires <= now:
        raise NotFound("no_such_invitation")
    return row


def join(session: Session, token: str, name: str, secret: str, now: datetime) -> AccountRow:
    """Make the account that a one-time link is for; the link is spent. Raises Refusal."""
    row = find_invitation(session, token, now)
    account = make_account(session, name, row.role, secret, now)
    row.used = now
    return account


def begin(session: Session, account: int, now: datetime) -> str:
    """Return the token of a new session."""
    session.execute(delete(SessionRow).where(SessionRow.expires < now))
    token = secrets.token_urlsafe(TOKEN_BYTES)
    row = SessionRow(digest=digest(token), account_id=account, made=now, renewed=now, former="")
    row.expires = now + SESSION
    session.add(row)
    session.flush()
    return token


def find_session(session: Session, token: str, now: datetime) -> SessionRow | None:
    """Return the session of a token, or of the one before while it is being replaced."""
    mine = digest(token)
    row = session.scalar(
        select(SessionRow).where((SessionRow.digest == mine) | (SessionRow.former == mine))
    )
    if row is None or row.expires <= now or row.account.closed:
        return None
    if row.digest != mine and row.renewed + GRACE < now:
        return None
    return row


def renew(session: Session, token: str, now: datetime) -> str | None:
    """Return a new token for a session in the place of its old one, None if it was renewed."""
    row = session.scalar(select(SessionRow).where(SessionRow.digest == digest(token)))
    if row is None:
        return None
    new = secrets.token_urlsafe(TOKEN_BYTES)
    row.former, row.digest, row.renewed = row.digest, digest(new), now
    return new


def end(session: Session, token: str) -> None:
    """End one session."""
    mine = digest(token)
    both = (SessionRow.digest == mine) | (SessionRow.former == mine)
    session.execute(delete(SessionRow).where(both))


def end_all(session: Session, account: int) -> None:
    """End all sessions of an account."""
    session.execute(delete(SessionRow).where(SessionRow.account_id == account))


def wait_of(session: Session, keys: Sequence[str], now: datetime) -> int:
    """Return for how many seconds somebody has to wait before another try."""
    longest = timedelta(0)
    for row in session.scalars(select(AttemptRow).where(AttemptRow.key.in_(keys))):
        if row.failures >= FREE_TRIES and row.last + FORGOTTEN > now:
            pause = min(timedelta(seconds=2 ** min(row.failures - FREE_TRIES, 20)), LONGEST_WAIT)
            longest = max(longest, row.last + pause - now)
    return -int(-longest.total_seconds() // 1)


def note_failure(session: Session, keys: Sequence[str], now: datetime) -> None:
    """Count a wrong password for each of some keys."""
    session.execute(delete(AttemptRow).where(AttemptRow.last < now - FORGOTTEN))
    for key in keys:
        row = session.get(AttemptRow, key)
        if row is None:
            session.add(AttemptRow(key=key, failures=1, last=now))
        else:
            row.failures, row.last = min(row.failures + 1, 1000), now
    session.flush()


def forget_failures(session: Session, keys: Sequence[str]) -> None:
    """Forget wrong passwords after a right one."""
    session.execute(delete(AttemptRow).where(AttemptRow.key.in_(keys)))
