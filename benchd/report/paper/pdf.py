"""A report as PDF, drawn by WeasyPrint, which comes with the extra `pdf`."""

from __future__ import annotations

import importlib
import logging
import sys
from typing import Any

from benchd.errors import UserError


def require() -> None:
    """Raises UserError where WeasyPrint cannot be loaded, and says what to do."""
    _weasyprint()


def as_pdf(text: str) -> bytes:
    """The report as PDF. Nothing is fetched for it: a report needs nothing beside it.

    Raises UserError where WeasyPrint is not there.
    """
    weasyprint = _weasyprint()
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    data: bytes = weasyprint.HTML(string=text, url_fetcher=_refuse).write_pdf()
    return data


def _refuse(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a report asks for nothing from elsewhere, and this asked for {url}")


def _weasyprint() -> Any:
    try:
        return importlib.import_module("weasyprint")
    except (ImportError, OSError) as error:
        # It raises OSError where the libraries of the system that it draws with are missing.
        raise UserError(
            f"PDF needs WeasyPrint, which cannot be loaded: {str(error).splitlines()[0]}.",
            where="--pdf",
            advice=f"Install benchd[pdf] ({sys.executable} -m pip install 'benchd[pdf]', and "
            "Pango, as WeasyPrint's documentation says), or leave --pdf out and print the HTML "
            "file from a browser.",
        ) from error
