"""Who may enter the embedded broker, and what they may publish there.

amqtt loads these classes by their names. Its own password plug-in uses a hash made slow on
purpose, and would stop the daemon's event loop for a tenth of a second at every connection. The
passwords here live in memory only, never in a file that could be stolen, so a salted SHA-256 and a
comparison in constant time are enough.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field

from amqtt.contexts import Action
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin
from amqtt.session import Session

DAEMON = "benchd"


def hashed(password: str, salt: str | None = None) -> str:
    """`salt$hash`, for `Entry.Config.accounts`."""
    salt = secrets.token_hex(16) if salt is None else salt
    digest = hashlib.sha256(f"{salt}{password}".encode()).hexdigest()
    return f"{salt}${digest}"


class Entry(BaseAuthPlugin):  # type: ignore[misc]
    """Lets in known accounts, and guests (without a user name) if they are welcome."""

    @dataclass
    class Config:
        """accounts: name to `hashed` password."""

        accounts: dict[str, str] = field(default_factory=dict)
        guests: bool = False

    async def authenticate(self, *, session: Session) -> bool:
        """True lets the client in."""
        if session.username is None:
            session.is_anonymous = True
            return bool(self.config.guests)
        known = self.config.accounts.get(session.username, "")
        given = hashed(session.password or "", known.partition("$")[0])
        return hmac.compare_digest(given.encode(), known.encode())


class Gate(BaseTopicPlugin):  # type: ignore[misc]
    """The daemon publishes everything, accounts only orders, guests nothing; all may read."""

    @dataclass
    class Config:
        """orders: the one topic to which accounts may publish."""

        orders: str = ""

    async def topic_filtering(
        self,
        *,
        session: Session | None = None,
        topic: str | None = None,
        action: Action | None = None,
    ) -> bool:
        """True allows it."""
        if action is not Action.PUBLISH:
            return True
        user = None if session is None else session.username
        return user == DAEMON or (user is not None and topic == self.config.orders)
