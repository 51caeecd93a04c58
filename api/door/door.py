"""The door itself: memory and desk.db kept in step, and everything that changes who may come in."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import NamedTuple

from sqlalchemy import Connection

from api.desk import accounts
from api.desk.store import Desk, note, utc_us
from api.door import secret
from api.door.book import Account, Book, Code, Scope, Session, Token
from api.door.hosts import Hosts, network_of
from api.door.passwords import Passwords
from api.door.tries import Tries
from api.errors import CHALLENGE, Problem
from controller import door_code
from controller.core.commands import PersonRole

DAY_S = 24 * 3_600
SESSION_S = 30 * DAY_S
SESSIONS_MAX = 20
"""A person's; the oldest gives way."""
TOKENS_MAX = 20
INVITATIONS_MAX = 20
HELD_UP_NOTES_MAX = 50
"""Lines of the audit about held-up guessing, for the life of the process: a flood must not fill the disk."""
PROGRAM = "the program"
JOINING = "join"


class Signed(NamedTuple):
    """Somebody who has just come in. `secret` is the cookie's value; it is known here and in the browser only."""

    account: Account
    session: Session
    secret: str


class Door:
    """One for the life of the process."""

    def __init__(self, desk: Desk, hosts: Hosts) -> None:
        self.hosts, self._desk = hosts, desk
        self.book: Book = desk.do_now(accounts.load)
        self.passwords, self.proofs = Passwords(), secret.Proofs()
        self._tries = Tries()
        self._held_up_notes = 0
        self._telling: set[asyncio.Task[None]] = set()
        self._changing = asyncio.Lock()
        """Held from the last look at an account to the end of what follows from it. Recognising somebody needs none."""
        self.has_accounts = asyncio.Event()
        if self.book.accounts:
            self.has_accounts.set()

    def close(self) -> None:
        self.passwords.close()

    def first_code(self) -> str:
        """A code for the first account, kept in memory only: a restart makes another."""
        code, now = door_code.make(), utc_us()
        digest = door_code.digest(code)
        self.book.codes[digest] = Code(digest, PersonRole.MAINTAINER, now, now + door_code.GOOD_FOR_US, PROGRAM)
        return code

    # coming in

    async def sign_in(self, name: str, password: str, address: str, old: list[str]) -> Signed:
        """A session for whoever knows name and password. `old` are cookies that end with it. Raises Problem."""
        self._begin(name, address)
        account = self.book.called(name)
        if not await self.passwords.fits(account.password_hash if account else None, password):
            raise Problem("wrong_sign_in", "Name and password do not belong together.", headers=CHALLENGE)
        assert account is not None
        self._tries.was_right(name, network_of(address), time.monotonic())
        async with self._changing:
            current = self._same(account, "Name and password do not belong together.")
            await self.end_sessions([secret.digest(cookie) for cookie in old])
            return await self._session(current, address)

    async def join(self, words: str, name: str, password: str, address: str) -> Signed:
        """An account for whoever has a code. A code left in the desk folder also gives an old name a new password."""
        self._begin(JOINING, address)
        code, left = self._code(words)
        self._tries.was_right(JOINING, network_of(address), time.monotonic())
        before = self.book.called(name)
        if before is not None and not left:
            self._give_back(code)
            raise Problem("name_taken", f"{before.name} has an account already.")
        try:
            kept = await self.passwords.hash(password)
            async with self._changing:
                account = await self._joined(code, left, name, kept, before)
                return await self._session(account, address)
        except BaseException:
            if not left and code.digest not in self.book.codes and self.book.called(name) is None:
                self._give_back(code)
            raise

    def _same(self, account: Account, otherwise: str) -> Account:
        """The account as it is now, if its password is still the one that was looked at. Raises Problem."""
        current = self.book.accounts.get(account.id)
        if current is None or current.password_hash != account.password_hash:
            raise Problem("wrong_sign_in", otherwise, headers=CHALLENGE)
        return current

    def _begin(self, name: str, address: str) -> None:
        wait_s = self._tries.begin(name, network_of(address), time.monotonic())
        if wait_s:
            self._tell_held_up(address)
            raise Problem("too_many_tries", f"The next try is possible in {wait_s} s.", headers={"Retry-After": str(wait_s)})

    def _tell_held_up(self, address: str) -> None:
        if self._held_up_notes < HELD_UP_NOTES_MAX:
            self._held_up_notes += 1
            task = asyncio.create_task(self._quietly(
                lambda connection: note(connection, PROGRAM, "held up", "sign-in", f"too many wrong tries from {address}")))
            self._telling.add(task)
            task.add_done_callback(self._telling.discard)

    async def _quietly(self, work: Callable[[Connection], None]) -> None:
        """A line of the audit that nothing else hangs on."""
        try:
            await self._desk.do(work)
        except Problem:
            return

    def _code(self, words: str) -> tuple[Code, bool]:
        """Take a code out of the book, or find it left in the desk folder (True). Raises Problem wrong_code."""
        digest, now = door_code.digest(words), utc_us()
        code = self.book.codes.pop(digest, None)
        if code is not None and code.expires_utc_us > now:
            return code, False
        left = door_code.found(self._desk.folder)
        if left is not None and left.digest == digest and left.expires_utc_us > now:
            return Code(digest, PersonRole.MAINTAINER, now, left.expires_utc_us, PROGRAM), True
        raise Problem("wrong_code", "No invitation has this code, or it was used, or its 24 h are over.")

    def _give_back(self, code: Code) -> None:
        self.book.codes[code.digest] = code

    async def _joined(self, code: Code, left: bool, name: str, kept: str, before: Account | None) -> Account:
        def write(connection: Connection) -> Account:
            accounts.use_code(connection, code)
            if before is None:
                how = "with a code left in the desk folder" if left else f"invited by {code.by}"
                made = accounts.add_person(connection, name, code.role, kept, code.by, how)
            else:
                accounts.change_person(connection, before.id, before.name, "took a new password",
                                       "with a code left in the desk folder; maintainer",
                                       password_hash=kept, role=code.role.name.lower())
                made = before._replace(role=code.role, password_hash=kept)
            if left:
                door_code.take_away(self._desk.folder)  # not taken away: the transaction ends too
            return made

        try:
            account = await self._desk.do(write)
        except OSError as error:
            raise Problem("desk_failing", f"The code's file cannot be taken away ({error.strerror}).") from None
        self.book.accounts[account.id] = account
        self.has_accounts.set()
        for digest in [one.digest for one in self.book.codes.values() if one.by == PROGRAM]:
            del self.book.codes[digest]
        if before is not None:
            await self._end_everything(account.id, tokens_too=True)
        return account

    async def _session(self, account: Account, address: str) -> Signed:
        words, now = secret.new(), utc_us()
        session = Session(secret.digest(words), account.id, now, now + SESSION_S * 1_000_000, address)
        mine = sorted(self.book.sessions_of(account.id), key=lambda one: one.created_utc_us)
        await self.end_sessions([one.digest for one in mine[:max(0, len(mine) - SESSIONS_MAX + 1)]])
        await self._desk.do(lambda connection: accounts.add_session(connection, session, account.name))
        self.book.sessions[session.digest] = session
        return Signed(account, session, words)

    # going out

    async def end_sessions(self, digests: list[bytes]) -> int:
        """End these sessions, at once in memory, then on disk; how many there were."""
        ended = [digest for digest in digests if self.book.sessions.pop(digest, None) is not None]
        if ended:
            await self._desk.do(lambda connection: accounts.end_sessions(connection, ended))
        return len(ended)

    async def end_tokens(self, given: list[Token], by: str) -> int:
        """The same for tokens."""
        ended = [one.id for one in given if self.book.tokens.pop(one.digest, None) is not None]

        def write(connection: Connection) -> None:
            accounts.end_tokens(connection, ended)
            for number in ended:
                note(connection, by, "ended", f"token {number}")

        if ended:
            await self._desk.do(write)
        return len(ended)

    async def _end_everything(self, person_id: int, tokens_too: bool) -> tuple[int, int]:
        sessions = await self.end_sessions([one.digest for one in self.book.sessions_of(person_id)])
        name = self.book.accounts[person_id].name if person_id in self.book.accounts else PROGRAM
        tokens = await self.end_tokens(self.book.tokens_of(person_id), name) if tokens_too else 0
        return sessions, tokens

    # changing

    async def change_password(self, account: Account, old: str, new: str, address: str) -> tuple[Signed, int, int]:
        """A new password; every session and token ends, and this browser gets a new session. Raises Problem."""
        self._begin(account.name, address)
        if not await self.passwords.fits(account.password_hash, old):
            raise Problem("wrong_sign_in", "The old password is not this one.", headers=CHALLENGE)
        self._tries.was_right(account.name, network_of(address), time.monotonic())
        kept = await self.passwords.hash(new)
        async with self._changing:
            self._same(account, "The old password is not this one.")
            await self._desk.do(lambda connection: accounts.change_person(
                connection, account.id, account.name, "changed the password", "all sessions and tokens ended",
                password_hash=kept))
            changed = self.book.accounts[account.id]._replace(password_hash=kept)
            self.book.accounts[account.id] = changed
            sessions, tokens = await self._end_everything(account.id, tokens_too=True)
            return await self._session(changed, address), sessions, tokens

    async def change_role(self, person_id: int, role: PersonRole, by: str) -> Account:
        """Another role; that person's sessions end. Raises Problem not_found or last_maintainer."""
        async with self._changing:
            return await self._change_role(person_id, role, by)

    async def _change_role(self, person_id: int, role: PersonRole, by: str) -> Account:
        account = self._person(person_id)
        if account.role is role:
            return account
        self._need_another(account)
        changed = account._replace(role=role)
        self.book.accounts[person_id] = min(account, changed, key=lambda one: one.role)  # less at once, more once written
        await self._end_everything(person_id, tokens_too=False)
        await self._desk.do(lambda connection: accounts.change_person(
            connection, person_id, by, "changed the role", f"{account.role.name.lower()} to {role.name.lower()}",
            role=role.name.lower()))
        self.book.accounts[person_id] = changed
        return changed

    async def remove(self, person_id: int, by: str) -> None:
        """Take an account away, with its sessions and tokens. Raises Problem not_found or last_maintainer."""
        async with self._changing:
            account = self._person(person_id)
            self._need_another(account)
            self.book.accounts.pop(person_id)
            await self._end_everything(person_id, tokens_too=True)
            await self._desk.do(lambda connection: accounts.change_person(
                connection, person_id, by, "removed", account.name, removed_utc_us=utc_us()))

    def _person(self, person_id: int) -> Account:
        found = self.book.accounts.get(person_id)
        if found is None:
            raise Problem("not_found", f"There is no person {person_id}.")
        return found

    def _need_another(self, account: Account) -> None:
        if account.role is PersonRole.MAINTAINER and not self.book.other_maintainers(account.id):
            raise Problem("last_maintainer", f"{account.name} is the only maintainer.")

    # inviting and handing out

    async def invite(self, role: PersonRole, by: str) -> tuple[str, Code]:
        """A code for one more account: its words, told once, and what is kept."""
        now = utc_us()
        self.drop_old_codes(now)
        if len(self.book.codes) >= INVITATIONS_MAX:
            raise Problem("busy", f"{INVITATIONS_MAX} invitations wait already.", advice="Take one back, or wait a day.")
        words = door_code.make()
        code = Code(door_code.digest(words), role, now, now + door_code.GOOD_FOR_US, by)
        await self._desk.do(lambda connection: accounts.add_code(connection, code))
        self.book.codes[code.digest] = code
        return words, code

    def drop_old_codes(self, now: int) -> None:
        """Forget codes whose time is over."""
        self.book.codes = {digest: one for digest, one in self.book.codes.items() if one.expires_utc_us > now}

    async def take_back(self, identity: str, by: str) -> None:
        """End an invitation. Raises Problem not_found."""
        code = next((one for one in self.book.codes.values() if one.id == identity and one.by != PROGRAM), None)
        if code is None:
            raise Problem("not_found", f"There is no invitation {identity[:40]!r}.")
        del self.book.codes[code.digest]

        def write(connection: Connection) -> None:
            accounts.use_code(connection, code)
            note(connection, by, "took back", f"invitation {code.id}")

        await self._desk.do(write)

    async def hand_out(self, account: Account, label: str, scope: Scope, days: int) -> tuple[str, Token]:
        """A token: its words, told once, and what is kept. Raises Problem busy."""
        if len(self.book.tokens_of(account.id)) >= TOKENS_MAX:
            raise Problem("busy", f"{account.name} has {TOKENS_MAX} tokens already.", advice="End one first.")
        words, now = secret.new(), utc_us()
        fresh = Token(0, secret.digest(words), account.id, label, scope, now, now + days * DAY_S * 1_000_000)
        token = await self._desk.do(lambda connection: accounts.add_token(connection, fresh, account.name))
        self.book.tokens[token.digest] = token
        return words, token
