"""Every error leaves as the same JSON: family, where, message, advice (and problems of a file)."""

from __future__ import annotations

import secrets
from http import HTTPStatus
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from benchd.errors import BenchdError, FileError
from benchd.web.documents import to_text

log = structlog.get_logger("benchd.web")

STATUS_OF_FAMILY = {
    "wrong-input": 400,
    "not-found": 404,
    "refused": 409,
    "busy": 503,
    "cancelled": 409,
    "wrong-recipe": 422,
    "wrong-bench": 422,
    "unsafe": 422,
    "baseline-refused": 422,
    "reduction-refused": 422,
    "instrument-refused": 409,
    "link-lost": 409,
    "store": 503,
}


def error_document(error: BenchdError) -> dict[str, Any]:
    """The JSON form of an expected error."""
    document: dict[str, Any] = dict(error.as_dict())
    if isinstance(error, FileError):
        document["problems"] = error.problems
    return document


def json_response(value: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """A response in this API's JSON form."""
    return Response(to_text(value), status, headers, "application/json")


def add_handlers(app: FastAPI) -> None:
    """Answer expected errors, refused requests and faults."""
    app.add_exception_handler(BenchdError, _expected)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _fault)


async def _expected(request: Request, error: Exception) -> Response:
    assert isinstance(error, BenchdError)
    return json_response(error_document(error), STATUS_OF_FAMILY.get(error.family, 400))


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    problems = [_problem_text(item) for item in error.errors()[:20]]
    document = {
        "family": "wrong-input",
        "where": f"{request.method} {request.url.path}",
        "message": "; ".join(problems) + ".",
        "advice": "The form of every request stands in /api/openapi.json.",
    }
    in_path = all(item["loc"][:1] == ("path",) for item in error.errors())
    not_json = any(item["type"] == "json_invalid" for item in error.errors())
    return json_response(document, 404 if in_path else (400 if not_json else 422))


def _problem_text(item: dict[str, Any]) -> str:
    if item["type"] == "json_invalid":
        return "the body is not JSON: " + str(item.get("ctx", {}).get("error", ""))
    message = str(item["msg"]).removeprefix("Value error, ")
    place = ".".join(str(part) for part in item["loc"][1:])
    return f"{place}: {message}" if place else message


async def _plain(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    path = request.url.path
    messages = {
        404: f"there is nothing at {path}.",
        405: f"{path} does not take {request.method}.",
    }
    document = {
        "family": "not-found" if error.status_code == 404 else "wrong-input",
        "where": f"{request.method} {path}",
        "message": messages.get(error.status_code, str(error.detail)),
        "advice": "GET / lists the addresses of this API.",
    }
    return json_response(document, error.status_code, dict(error.headers or {}))


async def _fault(request: Request, error: Exception) -> Response:
    mark = secrets.token_hex(4)
    log.error(
        "fault while answering", mark=mark, request=f"{request.method} {request.url.path}",
        exc_info=error,
    )  # fmt: skip
    document = {
        "family": "fault",
        "where": f"{request.method} {request.url.path}",
        "message": f"benchd made a mistake (fault {mark}).",
        "advice": "The daemon's log holds the details under this mark; please report them.",
    }
    return json_response(document, HTTPStatus.INTERNAL_SERVER_ERROR)
