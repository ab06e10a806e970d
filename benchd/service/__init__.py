"""The daemon: starts and stops every task of one bench in one TaskGroup."""

from benchd.service.daemon import serve
from benchd.service.settings import ServiceSettings

__all__ = ["ServiceSettings", "serve"]
