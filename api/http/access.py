"""Who may come in: bearer tokens, kept as argon2 hashes in a file, and what a sign-in page hands a browser.

A token is `name.secret`; the name finds its line, the secret is 256 random bits. The file is TOML:

    [[token]]
    name = "bench"
    role = "operate"                      # view, operate, engineer, admin
    hash = "$argon2id$..."
    expires_at = 2027-06-30T00:00:00Z     # optional

A browser gets no token to keep but a pass: name and end of validity under a keyed digest whose key is the token's hash, so that
removing the line ends every pass made from it, and a restarted service still knows its pages.
"""

import hashlib
import hmac
import ipaddress
import logging
import secrets
import threading
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from pathlib import Path
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from station.errors import AccessDenied, ConfigurationError

LOG: Final = logging.getLogger(__name__)

# Smallest argon2id setting of the OWASP password storage cheat sheet (19 MiB, 2 passes, 1 lane; figures from memory); ample for secrets of
# 256 random bits, and kind to a small machine.
HASHER: Final = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
PASS_VALID: Final = timedelta(hours=12)  # chosen: longer than a shift, shorter than a day
_KNOWN_MAX: Final = 256  # remembered good tokens; more than there are people at a line


class Role(IntEnum):
    """Each role may do all that the ones before it may."""

    VIEW = 0
    OPERATE = 1
    ENGINEER = 2
    ADMIN = 3


@dataclass(frozen=True, slots=True)
class Principal:
    """Whoever is asking. by_pass: through a browser's cookie, so that unsafe requests must carry the page's own token."""

    name: str
    role: Role
    by_pass: bool = False


LOCAL: Final = Principal("local", Role.ADMIN)


@dataclass(frozen=True, slots=True)
class Token:
    """One line of the tokens file. expires_at: UTC, None for no end."""

    name: str
    role: Role
    hash: str
    expires_at: datetime | None = None


class _Line(BaseModel):
    model_config = ConfigDict(extra="forbid")

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")
    role: str = Field(pattern="^(view|operate|engineer|admin)$")
    hash: str = Field(pattern=r"^\$argon2id\$")
    expires_at: datetime | None = None


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")

    token: list[_Line] = []


def read_tokens(path: Path) -> tuple[Token, ...]:
    """Tokens of a file. Raises ConfigurationError naming the file and the key."""
    try:
        lines = _File.model_validate(tomllib.loads(path.read_text(encoding="utf-8"))).token
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise ConfigurationError("access.tokens_file", f"{path}: {problem}", "a readable TOML file of [[token]] tables") from problem
    except ValidationError as problem:
        first = problem.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(f"{path}: {key}", first["input"], first["msg"]) from problem
    names = [line.name for line in lines]
    for name in names:
        if names.count(name) > 1:
            raise ConfigurationError(f"{path}: token.name", name, "each name once")
    return tuple(Token(line.name, Role[line.role.upper()], line.hash, line.expires_at) for line in lines)


def new_token(name: str) -> tuple[str, str]:
    """A fresh token and the hash to write into the file; the token itself is shown once and kept nowhere."""
    token = f"{name}.{secrets.token_urlsafe(32)}"
    return token, HASHER.hash(token)


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach the address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def require_tokens_for(host: str, tokens: Sequence[Token]) -> None:
    """Raises ConfigurationError when an address that others can reach is to be served without any token."""
    if not tokens and not is_loopback(host):
        raise ConfigurationError("server.host", host, "127.0.0.1, or access tokens configured (access.tokens_file)")


class Access:
    """The gate's knowledge. Without tokens everyone on this machine is let in; see require_tokens_for."""

    def __init__(
        self, tokens: Sequence[Token] = (), now: Callable[[], datetime] = lambda: datetime.now(UTC), file: Path | None = None
    ) -> None:
        """file: where the tokens were read; when it changes they are read again, so that a removed line is refused at once."""
        self._tokens: Mapping[str, Token] = {token.name: token for token in tokens}
        self._now = now
        self._file = file
        self._read = _state_of(file)
        self._guarded = bool(tokens)
        self._key = secrets.token_bytes(32)
        self._known: dict[bytes, str] = {}
        self._hashing = threading.Lock()

    @property
    def open(self) -> bool:
        """No token was configured when the service began. Removing all of them later opens nothing."""
        return not self._guarded

    def known(self, token: str) -> bool:
        """Whether a token was found good before, so that it is quick to check."""
        return hmac.digest(self._key, token.encode(), "sha256") in self._known

    def by_token(self, token: str) -> Principal:
        """Slow the first time a token is seen (a password hash), quick afterwards. Raises AccessDenied."""
        self._heed_file()
        digest = hmac.digest(self._key, token.encode(), "sha256")
        known = self._known.get(digest)
        line = self._line(known or token.partition(".")[0])
        if known is None:
            self._verify(line, token)
            self._remember(digest, line.name)
        return Principal(line.name, line.role)

    def new_pass(self, token: str) -> str:
        """The cookie for a browser that showed a token. Raises AccessDenied."""
        line = self._line(self.by_token(token).name)
        end = self._now() + PASS_VALID
        text = f"{line.name}.{int(min(end, line.expires_at or end).timestamp())}"
        return f"{text}.{_seal(line, text)}"

    def by_pass(self, cookie: str) -> Principal:
        """Who a browser's pass speaks for. Raises AccessDenied."""
        self._heed_file()
        text, _, seal = cookie.rpartition(".")
        name, _, end = text.partition(".")
        line = self._line(name)
        if not hmac.compare_digest(seal.encode(), _seal(line, text).encode()):
            raise AccessDenied("the sign-in is not one of this station; sign in again")
        if self._now().timestamp() >= int(end):
            raise AccessDenied("the sign-in has ended; sign in again")
        return Principal(line.name, line.role, by_pass=True)

    def request_token(self, cookie: str) -> str:
        """What unsafe requests of a signed-in page carry in a header; another site cannot know it. Raises AccessDenied."""
        return _seal(self._line(self.by_pass(cookie).name), f"request {cookie}")

    def _heed_file(self) -> None:
        """Read the tokens again when their file was changed. One that cannot be read, or is gone, lets nobody in."""
        state = _state_of(self._file)
        if state == self._read:
            return
        assert self._file is not None
        try:
            tokens = read_tokens(self._file)
        except ConfigurationError as problem:
            LOG.error("nobody is let in: %s", problem.message)
            tokens = ()
        self._read, self._tokens = state, {token.name: token for token in tokens}
        self._known = {}

    def _line(self, name: str) -> Token:
        line = self._tokens.get(name)
        if line is None:
            raise AccessDenied("no such token here")
        if line.expires_at is not None and self._now() >= line.expires_at:
            raise AccessDenied(f"the token {name} has expired")
        return line

    def _verify(self, line: Token, token: str) -> None:
        with self._hashing:  # one at a time: guessing must not take the machine's memory
            try:
                HASHER.verify(line.hash, token)
            except (VerificationError, InvalidHashError) as problem:
                raise AccessDenied("no such token here") from problem

    def _remember(self, digest: bytes, name: str) -> None:
        if len(self._known) >= _KNOWN_MAX:
            self._known.clear()
        self._known[digest] = name


def _state_of(file: Path | None) -> tuple[int, int, int] | None:
    """What changes when a file is written or replaced; None for none."""
    if file is None:
        return None
    try:
        state = file.stat()
    except OSError:
        return (0, 0, 0)
    return (state.st_mtime_ns, state.st_size, state.st_ino)


def _seal(line: Token, text: str) -> str:
    key = hashlib.sha256(line.hash.encode()).digest()
    return hmac.new(key, text.encode(), "sha256").hexdigest()
