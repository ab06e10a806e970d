"""Everything that `benchd serve` is told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from benchd.publish import PublishSettings
from benchd.web.settings import HttpSettings


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """Settings of one daemon. What belongs to one room is that room's own settings.

    bench: the bench file.
    data: folder of the database and the lock; made where it does not exist.
    recipes: folders of recipe files, searched before the shipped ones.
    addresses: instrument name -> resource string, in place of the bench file's address.
    http: where commands are listened to, and who is let in.
    publish: what is published, and where.
    """

    bench: Path
    data: Path
    recipes: tuple[Path, ...] = ()
    addresses: Mapping[str, str] = field(default_factory=dict)
    http: HttpSettings = field(default_factory=HttpSettings)
    publish: PublishSettings = field(default_factory=PublishSettings)
