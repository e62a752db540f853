"""What the API answers when something is wrong: `application/problem+json`, with the fix in words.

Knows which of our exceptions is which status. Whose fault? Theirs: 4xx, with what to change. The
world's (store down): 503 with Retry-After. Ours: 500, and the traceback goes to the log, not to the caller.

Source: RFC 9457, section 3.1 (type, title, status, detail, instance; others are extensions).
"""

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from service.core.fields import FieldsRefusedError
from service.ports import ConflictError, NotFoundError, StoreUnavailableError

PROBLEM_JSON = "application/problem+json"
RETRY_AFTER_S = 5

TITLES = {
    401: "Sign in first",
    403: "Not allowed",
    404: "Not found",
    405: "Not with this method",
    406: "Not in that form",
    409: "Contradicts what is registered",
    411: "Length needed",
    412: "Changed meanwhile",
    413: "Too large",
    415: "Not in this media type",
    421: "Not under this host name",
    422: "Not valid",
    429: "Too many tries",
    500: "Fault in linklag",
    503: "Not available just now",
}
EXAMPLES = {
    401: "show a token: Authorization: Bearer linklag_...",
    403: "this is for an engineer or more, and token scada is viewer: ask an administrator for another role",
    404: "there is no drive 'infeed-3': GET /api/v1/drives lists those that are registered",
    406: "this comes as application/json or text/csv: ask for one of them",
    409: "a drive 'infeed-2' is registered already: choose another id, or change that one",
    412: "name, note of infeed-2 changed by H. Brandt at 2026-11-25T08:15:00Z since you read them, and nothing was stored: GET "
    "the drive again, and make your change to what it is now",
    413: "the body is over 262144 bytes",
    422: "whole_pitches must be 1 or more (given -3)",
    503: "the store cannot be reached: database is locked; try again in a few seconds",
}


class Problem(BaseModel):
    """What went wrong and what would mend it (RFC 9457)."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "urn:linklag:problem:not-found",
                    "title": TITLES[404],
                    "status": 404,
                    "detail": EXAMPLES[404],
                    "instance": "/api/v1/drives/infeed-3",
                }
            ]
        }
    )

    type: str = Field(description="Kind of problem, a URN that stays the same")
    title: str = Field(description="Kind of problem in words")
    status: int = Field(description="The HTTP status again")
    detail: str = Field(description="What was found this time, and what to do")
    instance: str = Field(description="Path that was asked for")
    errors: list[dict[str, str]] | None = Field(
        default=None, description="Each field that is not valid: `field` and `detail`"
    )
    changed: list[str] | None = Field(
        default=None, description="Where somebody was first: the settings that are not as they were"
    )
    alert: dict[str, Any] | None = Field(
        default=None, description="Where somebody was first: the alert as it is now"
    )


class ProblemError(Exception):
    """A problem that a route has found itself."""

    def __init__(
        self,
        status: int,
        detail: str,
        errors: list[dict[str, str]] | None = None,
        *,
        more: Mapping[str, Any] | None = None,
    ) -> None:
        """`more`: members of the answer besides, or in place of, those that every problem has."""
        super().__init__(detail)
        self.status, self.detail, self.errors, self.more = status, detail, errors, dict(more or {})


@contextmanager
def refusals() -> Iterator[None]:
    """Turn a ValueError of core or of the door, which says the fix, into a 422.

    Only around calls that check what the person sent: a ValueError from elsewhere is our own fault.
    """
    try:
        yield
    except FieldsRefusedError as error:
        errors = [{"field": field, "detail": detail} for field, detail in error.problems.items()]
        raise ProblemError(422, str(error), errors) from error
    except ValueError as error:
        raise ProblemError(422, str(error)) from error


def problem(
    status: int,
    detail: str,
    path: str,
    errors: list[dict[str, str]] | None = None,
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """Return the answer that states a problem."""
    title = TITLES.get(status) or HTTPStatus(status).phrase
    kind = HTTPStatus(status).phrase.lower().replace(" ", "-").replace("'", "")
    body: dict[str, Any] = {
        "type": f"urn:linklag:problem:{kind}",
        "title": title,
        "status": status,
        "detail": detail,
        "instance": path,
    }
    if errors:
        body["errors"] = errors
    return JSONResponse(body, status, headers=dict(headers or {}), media_type=PROBLEM_JSON)


def responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return what OpenAPI says of a route's problems; 401, 403, 422 and 503 are on every route."""
    return {
        status: {
            "description": TITLES[status],
            "content": {
                PROBLEM_JSON: {
                    "schema": {"$ref": "#/components/schemas/Problem"},
                    "example": {
                        "type": f"urn:linklag:problem:{HTTPStatus(status).phrase.lower().replace(' ', '-')}",
                        "title": TITLES[status],
                        "status": status,
                        "detail": EXAMPLES[status],
                        "instance": "/api/v1/drives/infeed-3",
                    },
                }
            },
        }
        for status in sorted({*statuses, 401, 403, 422, 503})
    }


def of_exception(error: Exception, path: str) -> JSONResponse:
    """Return the problem that an exception stands for."""
    status, detail, errors, headers = _facts(error, path)
    return problem(status, detail, path, errors, headers)


def with_more(answer: JSONResponse, more: Mapping[str, Any]) -> JSONResponse:
    """Return the answer with members besides, or in place of, those that every problem has."""
    body = json.loads(bytes(answer.body)) | dict(more)
    return JSONResponse(body, answer.status_code, media_type=PROBLEM_JSON)


_Facts = tuple[int, str, list[dict[str, str]] | None, Mapping[str, str] | None]


def _facts(error: Exception, path: str) -> _Facts:
    facts: _Facts
    match error:
        case ProblemError():
            facts = (error.status, error.detail, error.errors, None)
        case NotFoundError():
            facts = (404, str(error), None, None)
        case ConflictError():
            facts = (409, str(error), None, None)
        case StoreUnavailableError():
            detail = f"the store cannot be reached ({error}); nothing was changed, try again in a few seconds"
            facts = (503, detail, None, {"Retry-After": str(RETRY_AFTER_S)})
        case RequestValidationError():
            errors = [_field(each) for each in error.errors()]
            detail = "; ".join(f"{each['field']}: {each['detail']}" for each in errors[:5])
            facts = (422, detail, errors, None)
        case HTTPException():
            facts = (error.status_code, _http_detail(error, path), None, error.headers)
        case _:
            facts = (500, "linklag failed at this request; its log says where", None, None)
    return facts


FIXES = {
    "extra_forbidden": "is no field here: take it out, or look its name up in /api/v1/openapi.json",
    "missing": "is missing: give it",
}


def _field(error: Mapping[str, Any]) -> dict[str, str]:
    where = [str(part) for part in error["loc"] if part != "body"]
    what = FIXES.get(error["type"]) or str(error["msg"]).removeprefix("Value error, ")
    return {"field": ".".join(where) or "body", "detail": what}


def _http_detail(error: HTTPException, path: str) -> str:
    if error.status_code == 404:
        return f"there is nothing at {path}: /api/v1/openapi.json lists what there is"
    if error.status_code == 405:
        return f"{path} takes {(error.headers or {}).get('Allow', 'another method')} only"
    return str(error.detail)


def install(app: FastAPI, page: Any = None) -> None:
    """Make every error of `app` answer as a problem, or as `page(request, status, detail)` to a browser's page."""

    async def handle(request: Request, error: Exception) -> Response:
        answer = of_exception(error, request.url.path)
        if isinstance(error, ProblemError) and error.more:
            answer = with_more(answer, error.more)
        if page is not None and wants_page(request):
            return page(request, answer)  # type: ignore[no-any-return]
        return answer

    for kind in (
        ProblemError,
        NotFoundError,
        ConflictError,
        StoreUnavailableError,
        RequestValidationError,
        HTTPException,
        Exception,
    ):
        app.add_exception_handler(kind, handle)


def wants_page(request: Request) -> bool:
    """Return whether a browser asked for a page, rather than a program for an answer of the API."""
    api = request.url.path.startswith(("/api/", "/health/", "/metrics", "/static/"))
    return not api and "text/html" in request.headers.get("accept", "")
