"""Coming in and letting in: what pages, programs and the command line do about accounts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from service.errors import Clash, NotFound, Refusal, Throttled
from service.records import accounts
from service.records.accounts import Visitor
from service.records.database import Store
from service.wording.sentences import Message

ITSELF = "combwright"


def now() -> datetime:
    """Return this moment in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Account:
    """An account as it is shown."""

    name: str
    role: str
    made: datetime


def all_accounts(store: Store) -> list[Account]:
    """Return all open accounts, oldest first."""
    with store.reading() as session:
        return [Account(row.name, row.role, row.made) for row in accounts.accounts(session)]


def owned(store: Store) -> bool:
    """Whether somebody owns these records."""
    with store.reading() as session:
        return accounts.has_owner(session)


def add_account(store: Store, name: str, role: str, password: str) -> None:
    """Make an account on the machine itself. Raises Refusal."""
    secret = accounts.hash_password(password)
    with store.writing(ITSELF, Message("act_access")) as session:
        accounts.make_account(session, name, role, secret, now())


def make_owner(store: Store, name: str, password: str) -> None:
    """Make the first owner's account; later ones are let in by an owner. Raises Refusal."""
    secret = accounts.hash_password(password)
    with store.writing(ITSELF, Message("act_access")) as session:
        if accounts.has_owner(session):
            raise Clash("owner_there")
        accounts.make_account(session, name, "own", secret, now())


def invite(store: Store, role: str, by: str) -> str:
    """Return the token of a one-time link for a helper. Raises Refusal."""
    with store.writing(ITSELF, Message("act_access")) as session:
        return accounts.invite(session, role, by, now())


def invited_as(store: Store, token: str) -> str:
    """Return the role that a one-time link is for. Raises NotFound."""
    with store.reading() as session:
        return accounts.find_invitation(session, token, now()).role


def join(store: Store, token: str, name: str, password: str) -> str:
    """Make the account that a link is for; returns a token of its first session."""
    invited_as(store, token)  # before a password is hashed for nothing
    secret = accounts.hash_password(password)
    with store.writing(ITSELF, Message("act_access")) as session:
        row = accounts.join(session, token, name, secret, now())
        return accounts.begin(session, row.id, now())


def sign_in(store: Store, name: str, password: str, address: str) -> str:
    """Return the token of a new session.

    Raises Refusal for a wrong name or password, without saying which, and Throttled for somebody
    who has tried too often.
    """
    name = " ".join(name.split())
    keys = [f"name {accounts.digest(name.lower())[:32]}", f"from {address}"[:120]]
    with store.reading() as session:
        wait = accounts.wait_of(session, keys, now())
        if wait > 0:
            raise Throttled("too_many_tries", seconds=wait)
        try:
            row = accounts.find_account(session, name)
            secret, number = row.secret, row.id
        except NotFound:
            secret, number = accounts.NOBODY, 0
    right = accounts.fits(secret, password) and number
    with store.writing(ITSELF, Message("act_access")) as session:
        if right:
            accounts.forget_failures(session, keys[:1])
            return accounts.begin(session, number, now())
        accounts.note_failure(session, keys, now())
    raise Refusal("wrong_password")


def visitor_of(store: Store, token: str) -> tuple[Visitor, bool] | None:
    """Return who comes with a token, and whether it is time to renew that; None for nobody."""
    moment = now()
    with store.reading() as session:
        row = accounts.find_session(session, token, moment)
        if row is None:
            return None
        current = row.digest == accounts.digest(token)
        due = current and row.renewed + accounts.RENEWED < moment
        return Visitor(row.account.name, row.account.role, row.account_id), due


def renew(store: Store, token: str) -> str | None:
    """Return a new token for a session, None if another request has renewed it."""
    with store.writing(ITSELF, Message("act_access")) as session:
        return accounts.renew(session, token, now())


def sign_out(store: Store, token: str) -> None:
    """End a session."""
    with store.writing(ITSELF, Message("act_access")) as session:
        accounts.end(session, token)


def change_role(store: Store, name: str, role: str) -> None:
    """Give an account another role; its sessions end. The last owner stays. Raises Refusal."""
    accounts.check_role(role)
    change_account(store, name, role=role)


def close(store: Store, name: str) -> None:
    """Close an account and end its sessions; what it wrote stays. Raises Refusal."""
    change_account(store, name, closed=True)


def change_account(store: Store, name: str, **values: Any) -> None:
    """Change an account and end its sessions, unless nobody would be left to own the records."""
    with store.writing(ITSELF, Message("act_access")) as session:
        row = accounts.find_account(session, name)
        for column, value in values.items():
            setattr(row, column, value)
        session.flush()
        if not accounts.has_owner(session):
            raise Clash("last_owner")
        accounts.end_all(session, row.id)


def set_password(store: Store, name: str, password: str, old: str | None = None) -> None:
    """Give an account another password; its sessions end. Raises Refusal.

    With `old` only somebody who knows the old one may; at the machine itself it isn't asked for.
    """
    secret = accounts.hash_password(password)
    with store.reading() as session:
        kept = accounts.find_account(session, name).secret
    if old is not None and not accounts.fits(kept, old):
        raise Refusal("wrong_password")
    with store.writing(ITSELF, Message("act_access")) as session:
        row = accounts.find_account(session, name)
        row.secret = secret
        accounts.end_all(session, row.id)
