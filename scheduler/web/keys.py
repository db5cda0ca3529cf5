"""Who may act on the page: the first-start code, the password, the sessions.

They stand in one small file beside the store, readable by its owner alone, and cannot be turned back:
passwords as argon2id, codes and session names as SHA-256 of random values. The file is read again when it was
changed, so that a code can be made by a command while the page runs.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import os
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.site.errors import StoreError, UsageError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

# OWASP ASVS 5.0: 6.2.1 (8 at the least, 15 advised), 6.2.4 (not among the 3,000 commonest), 6.2.8 (no cut).
PASSWORD_MIN, PASSWORD_ADVISED, PASSWORD_MAX = 8, 15, 256
COMMONEST = 3000
# OWASP Password Storage Cheat Sheet: argon2id with 19 MiB, 2 passes, 1 lane; a small computer holds that.
ARGON2_KIB, ARGON2_PASSES, ARGON2_LANES = 19456, 2, 1
# ASVS 7.2.3 asks for 128 bits of a session's name.
SESSION_BYTES = 32
# To look: as long as a phone is one's own. To act: ends when the page was not used so long (ASVS 7.3.1).
LOOK_FOR = timedelta(days=30)
ACT_IDLE = timedelta(minutes=30)
# Typed once from a log into a phone: 50 bits, for half an hour, behind the limits of tries.
CODE_LETTERS, CODE_FOR = 10, timedelta(minutes=30)
# Letters that are not taken for one another (RFC 4648 base 32 has neither 0, 1 nor 8).
CODE_ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ234567"
SESSIONS_MAX = 40
NAME_MAX = 40
OWNER_ONLY = 0o600


@dataclass(frozen=True, slots=True)
class Session:
    """``may_act``: the password was given, and the page used, within the last half hour."""

    digest: str
    who: str
    may_act: bool


@dataclass(frozen=True, slots=True)
class _Code:
    digest: str
    until: datetime


class Keys:
    """Safe to use from several threads. ``now`` is the wall clock."""

    def __init__(self, path: Path, now: Callable[[], datetime]) -> None:
        self.path = path
        self._now = now
        self._lock = threading.RLock()
        self._read_at: tuple[int, int] | None = None
        self._secret = b""
        self._password: str | None = None
        self._code: _Code | None = None
        self._sessions: dict[str, tuple[str, datetime]] = {}
        self._link: str | None = None  # what makes the calendar's link its own; None: there is none
        self._acted: dict[str, datetime] = {}  # of this process: acting ends with a restart
        self._hashing = threading.Lock()  # one at a time: each takes its memory

    # --- first start ---------------------------------------------------------------------------------

    @property
    def has_password(self) -> bool:
        with self._lock:
            self._load()
            return self._password is not None

    def new_code(self) -> str:
        """A code that sets the password, once, within ``CODE_FOR``; an earlier one is void."""
        with self._lock:
            self._load()
            letters = "".join(secrets.choice(CODE_ALPHABET) for _ in range(CODE_LETTERS))
            self._code = _Code(_digest(letters), self._now() + CODE_FOR)
            self._save()
            return f"{letters[:5]}-{letters[5:]}"

    def set_password(self, code: str, password: str, who: str) -> str | None:
        """A session of whoever has the code; None: the code is not right, used or too old. The code is void
        then, and every earlier session ended. UsageError: the password will not do."""
        plain = code.strip().upper().replace("-", "").replace(" ", "")
        with self._lock:
            self._load()
            found = self._code
            if found is None or self._now() > found.until:
                return None
            if not hmac.compare_digest(found.digest, _digest(plain)):
                return None
        check_password(password)
        hashed = self._hash(password)
        with self._lock:
            self._load()
            if self._code != found:
                return None  # somebody was quicker
            self._code, self._password = None, hashed
            self._sessions.clear()
            self._acted.clear()
            self._link = None
            return self._begin(who)

    # --- sessions ------------------------------------------------------------------------------------

    def enter(self, password: str, who: str, leaving: str | None = None) -> str | None:
        """A new session, in place of ``leaving``; None: the password is not right."""
        with self._lock:
            self._load()
            hashed = self._password
        if not self._verify(hashed, password):
            return None
        with self._lock:
            self._load()
            if leaving is not None:
                self._end(_digest(leaving))
            return self._begin(who)

    def session(self, name: str | None) -> Session | None:
        """The session of a cookie; None: there is none, or it is over. Using it keeps the right to act."""
        if not name:
            return None
        digest = _digest(name)
        with self._lock:
            self._load()
            found = self._sessions.get(digest)
            if found is None or self._now() - found[1] > LOOK_FOR:
                return None
            acted = self._acted.get(digest)
            may_act = acted is not None and timedelta(0) <= self._now() - acted <= ACT_IDLE
            if may_act:
                self._acted[digest] = self._now()
            return Session(digest, found[0], may_act)

    def leave(self, name: str) -> None:
        with self._lock:
            self._load()
            self._end(_digest(name))
            self._save()

    # --- tokens of forms -----------------------------------------------------------------------------

    def token(self, about: str) -> str:
        """Of a form on a page of one session. Different each time, so that packing pages betrays nothing."""
        with self._lock:
            self._load()
            mac = hmac.digest(self._secret, f"form:{about}".encode(), "sha256")
        mask = secrets.token_bytes(len(mac))
        return base64.urlsafe_b64encode(mask + _xor(mask, mac)).decode("ascii")

    def token_is_right(self, about: str, token: str) -> bool:
        with self._lock:
            self._load()
            mac = hmac.digest(self._secret, f"form:{about}".encode(), "sha256")
        try:
            raw = base64.urlsafe_b64decode(token.encode("ascii"))
        except ValueError:
            return False
        half = len(mac)
        return len(raw) == 2 * half and hmac.compare_digest(_xor(raw[:half], raw[half:]), mac)

    # --- the calendar's link -------------------------------------------------------------------------

    def calendar_link(self) -> str | None:
        """The secret part of the link; None: there is none. It opens the feed and nothing else."""
        with self._lock:
            self._load()
            if self._link is None:
                return None
            mac = hmac.digest(self._secret, f"calendar:{self._link}".encode(), "sha256")
        return base64.urlsafe_b64encode(mac).decode("ascii").rstrip("=")

    def new_calendar_link(self) -> None:
        """A link that is none of the earlier ones, which are void."""
        with self._lock:
            self._load()
            self._link = secrets.token_hex(16)
            self._save()

    def end_calendar_link(self) -> None:
        with self._lock:
            self._load()
            self._link = None
            self._save()

    def calendar_link_is_right(self, given: str) -> bool:
        link = self.calendar_link()
        return link is not None and hmac.compare_digest(link.encode(), given.encode("utf-8", "replace"))

    # --- inside --------------------------------------------------------------------------------------

    def _begin(self, who: str) -> str:
        now = self._now()
        self._sessions = {d: s for d, s in self._sessions.items() if now - s[1] <= LOOK_FOR}
        while len(self._sessions) >= SESSIONS_MAX:
            self._end(min(self._sessions, key=lambda d: self._sessions[d][1]))
        name = secrets.token_urlsafe(SESSION_BYTES)
        self._sessions[_digest(name)] = (tidy_name(who), now)
        self._acted[_digest(name)] = now
        self._save()
        return name

    def _end(self, digest: str) -> None:
        self._sessions.pop(digest, None)
        self._acted.pop(digest, None)

    def _hasher(self) -> PasswordHasher:
        from argon2 import PasswordHasher

        return PasswordHasher(time_cost=ARGON2_PASSES, memory_cost=ARGON2_KIB, parallelism=ARGON2_LANES)

    def _hash(self, password: str) -> str:
        with self._hashing:
            return self._hasher().hash(password)

    def _verify(self, hashed: str | None, password: str) -> bool:
        from argon2.exceptions import InvalidHashError, VerificationError

        if hashed is None or len(password) > PASSWORD_MAX:
            return False
        with self._hashing:
            try:
                return self._hasher().verify(hashed, password)
            except (VerificationError, InvalidHashError):
                return False

    def _load(self) -> None:
        try:
            stat = self.path.stat()
            mark = (stat.st_mtime_ns, stat.st_ino)
            if mark == self._read_at:
                return
            kept: dict[str, Any] = json.loads(self.path.read_text(encoding="utf-8"))
            self._secret = bytes.fromhex(kept["secret"])
            self._password = kept["password"]
            code = kept["code"]
            self._code = _Code(code[0], datetime.fromisoformat(code[1])) if code else None
            self._sessions = {d: (w, datetime.fromisoformat(at)) for d, w, at in kept["sessions"]}
            self._link = kept.get("calendar")
            self._read_at = mark
        except FileNotFoundError:
            self._secret = secrets.token_bytes(32)
            self._password, self._code, self._sessions = None, None, {}
            self._link = None
            self._save()
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise StoreError(
                f"{self.path}, which holds who may act on the page, cannot be read ({type(error).__name__}). "
                "Remove it and start the page again: it prints a new first-start code."
            ) from error

    def _save(self) -> None:
        kept = {
            "secret": self._secret.hex(),
            "password": self._password,
            "code": [self._code.digest, self._code.until.isoformat()] if self._code else None,
            "calendar": self._link,
            "sessions": [[d, who, at.isoformat()] for d, (who, at) in self._sessions.items()],
        }
        beside = self.path.with_name(f"{self.path.name}.new")
        try:
            with contextlib.suppress(FileNotFoundError):
                beside.unlink()
            file = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWNER_ONLY)
            with os.fdopen(file, "w", encoding="utf-8") as out:
                json.dump(kept, out)
                out.flush()
                os.fsync(out.fileno())
            beside.replace(self.path)
            stat = self.path.stat()
            self._read_at = (stat.st_mtime_ns, stat.st_ino)
        except OSError as error:
            raise StoreError(f"{self.path} cannot be written: {error.strerror}.") from error


def check_password(password: str) -> None:
    """UsageError says what is wanted, never what was read."""
    if len(password) < PASSWORD_MIN:
        raise UsageError(
            f"The password is too short: {PASSWORD_MIN} characters at the least, {PASSWORD_ADVISED} are "
            "better. Four words in a row do well."
        )
    if len(password) > PASSWORD_MAX:
        raise UsageError(f"The password is too long: {PASSWORD_MAX} characters at the most.")
    # Loaded only here: a long list.
    from zxcvbn.frequency_lists import FREQUENCY_LISTS

    if password.lower() in FREQUENCY_LISTS["passwords"][:COMMONEST]:
        raise UsageError("This password is one of the commonest: it would be guessed at once.")


def tidy_name(who: str) -> str:
    """A name that stands in the books: printable, short."""
    text = " ".join("".join(c for c in who if c.isprintable()).split())[:NAME_MAX]
    return text or "somebody at the page"


def _digest(value: str) -> str:
    return hashlib.sha256(value.encode("utf-8", "surrogatepass")).hexdigest()


def _xor(a: bytes, b: bytes) -> bytes:
    return bytes(x ^ y for x, y in zip(a, b, strict=True))
