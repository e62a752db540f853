"""The way to an InfluxDB: lines go in, rows of InfluxQL come out, and every answer becomes one of ours.

Knows the library and HTTP; must not know what a reading is. Rules for the next editor:

- Written in the library's SYNCHRONOUS mode only, one request a call: its batching mode loses what it holds, and its
  retries end. Who calls here tries again.
- A 2xx is stored. 400 and 422 say that some lines are refused and the others stored: halved until the refused ones are
  known, which is safe because the same line twice is one point. 413 is halved too. All else is no answer about the
  lines: StoreUnavailableError, with what mends it.
- Read by InfluxQL over /query, one statement a request, values bound: 1.8, 2.x and 3.x all take it, Flux only 2.x does.
"""

import json
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from service.ports import StoreUnavailableError

if TYPE_CHECKING:
    from urllib3.response import BaseHTTPResponse

TIMEOUT_S = 10.0
ANSWER_BYTES_MAX = 256 * 1024 * 1024  # of one query, unpacked; ours are far below
LINES_AT_ONCE = 5_000
WAIT_S_MAX = 600.0  # longer than this a server is not obeyed that asks to be left alone
_WORDS_MAX = 300  # characters of what the server said


class LineRefused(NamedTuple):
    """A line that the server does not take, by its place among those written, and the server's words."""

    at: int
    words: str


class QueryRefusedError(Exception):
    """The server does not do what a statement asks (a version that cannot, or a mistake of ours). Its words."""


@dataclass(frozen=True, slots=True)
class Series:
    """Rows that a query gave: `columns` without those that it was grouped by, which stand in `tags`."""

    tags: dict[str, str]
    columns: list[str]
    rows: list[list[Any]]


class InfluxClient:
    """One bucket of one InfluxDB. May be used from any thread; holds nothing back and loses nothing when it ends."""

    def __init__(
        self,
        url: str,
        *,
        org: str,
        bucket: str,
        token: str = "",
        ca_file: Path | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        """A client that has asked nothing yet. Raises ValueError where the library is missing.

        A bucket of 1.8 is DATABASE/POLICY, and /query is asked for the database.
        """
        try:
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS, PointSettings
            from influxdb_client.domain.write_precision import WritePrecision
        except ImportError:
            raise ValueError("its library is missing: install it by pip install 'linklag[influx]'") from None
        self.place = f"InfluxDB {url}, bucket {bucket}"
        self._bucket, self._org = bucket, org or "-"
        self._database = bucket.split("/", maxsplit=1)[0]
        self._timeout_s = timeout_s
        self._client = InfluxDBClient(
            url,
            token=token,
            org=self._org,
            timeout=round(timeout_s * 1000),
            enable_gzip=True,
            verify_ssl=True,
            ssl_ca_cert=None if ca_file is None else str(ca_file),
        )
        # Settings of its own: the library's default ones are shared by all clients of the process.
        self._writer = self._client.write_api(write_options=SYNCHRONOUS, point_settings=PointSettings())
        self._ns: Any = WritePrecision.NS
        self._rest = threading.Lock()
        self._not_before_s = 0.0  # a server that is too busy says so: until then it is not asked to write

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()  # type: ignore[no-untyped-call]

    # Writing

    def write(self, lines: Sequence[str]) -> list[LineRefused]:
        """Return once all lines are stored but those returned. Raises StoreUnavailableError: any number may be stored then."""
        refused: list[LineRefused] = []
        for start in range(0, len(lines), LINES_AT_ONCE):
            refused += self._write(lines[start : start + LINES_AT_ONCE], start)
        return refused

    def _write(self, lines: Sequence[str], start: int) -> list[LineRefused]:
        words = self._try(lines)
        if not words:
            return []
        if len(lines) == 1:
            return [LineRefused(start, words)]
        half = len(lines) // 2
        return self._write(lines[:half], start) + self._write(lines[half:], start + half)

    def _try(self, lines: Sequence[str]) -> str:
        """Write in one request; return why some are refused, empty where all are stored. Raises StoreUnavailableError."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        self._refuse_too_early()
        try:
            self._writer.write(
                bucket=self._bucket, org=self._org, record="\n".join(lines).encode(), write_precision=self._ns
            )
        except ApiException as error:
            if error.status in {400, 413, 422}:
                return _said(error.body) or f"status {error.status}"
            raise self._unavailable(error) from error
        except (HTTPError, OSError) as error:
            raise self._unreached(error) from error
        return ""

    def _refuse_too_early(self) -> None:
        left_s = self._not_before_s - time.monotonic()
        if left_s > 0:
            raise StoreUnavailableError(
                f"{self.place}: it is too busy and asked to be left alone for {left_s:.0f} s more; "
                "nothing is lost meanwhile. If that goes on, give it more of its machine, or raise its limits"
            )

    # Reading

    def query(self, statement: str, **values: str | float) -> list[Series]:
        """Return what one statement of InfluxQL gives, with values bound to the `$names` in it.

        Raises StoreUnavailableError, QueryRefusedError.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            answer: BaseHTTPResponse = self._client.api_client.call_api(  # type: ignore[no-untyped-call]
                "/query",
                "POST",
                query_params=[("db", self._database), ("epoch", "ns")],
                header_params={
                    "Accept": "application/json",
                    "Accept-Encoding": "gzip",
                    "Content-Type": "application/x-www-form-urlencoded",
                },
                post_params=[("q", statement), ("params", json.dumps(values))],
                _preload_content=False,
                _return_http_data_only=True,
                async_req=False,
            )
            body = self._all_of(answer)
        except ApiException as error:
            if error.status in {400, 405, 422}:
                raise QueryRefusedError(f"{self.place}: {_said(error.body)}") from error
            raise self._unavailable(error) from error
        except (HTTPError, OSError) as error:
            raise self._unreached(error) from error
        return self._series(body)

    def _all_of(self, answer: "BaseHTTPResponse") -> bytes:
        """Read an answer that may be slow, but not for ever, and long, but not without end."""
        end_s = time.monotonic() + 6 * self._timeout_s
        parts, size = [], 0
        try:
            while part := answer.read1(
                65_536, decode_content=True
            ):  # what has come, without waiting for more
                parts.append(part)
                size += len(part)
                if size > ANSWER_BYTES_MAX or time.monotonic() > end_s:
                    answer.close()
                    raise StoreUnavailableError(
                        f"{self.place}: an answer took too long or had no end; try again, or ask for less"
                    )
        finally:
            answer.release_conn()
        return b"".join(parts)

    def _series(self, body: bytes) -> list[Series]:
        try:
            results = json.loads(body)["results"]
            result = results[0]
        except (ValueError, KeyError, TypeError, IndexError) as error:
            raise StoreUnavailableError(
                f"{self.place}: what answers there is no InfluxDB with /query: correct influx.url"
            ) from error
        if "error" in result:  # stands in an answer of status 200
            raise self._refused_query(str(result["error"]))
        return [
            Series(each.get("tags", {}), each["columns"], each.get("values", []))
            for each in result.get("series", [])
        ]

    def _refused_query(self, words: str) -> Exception:
        for part, status in (("database not found", 404), ("not authorized", 403)):
            if part in words:
                return StoreUnavailableError(f"{self.place}: {words}: {_FIXES[status]}")
        if "timeout" in words or "interrupted" in words or "limit" in words:
            return StoreUnavailableError(f"{self.place}: {words}; try again, or raise its limits of queries")
        return QueryRefusedError(f"{self.place}: {words}")

    # Looking after it

    def check(self) -> str:
        """Write a point for real and read it back; return what the server calls its version ("" where it says none).

        Raises StoreUnavailableError, with what mends it.
        """
        now_ns = time.time_ns()
        refused = self.write([f"probe at=1.0 {now_ns}"])
        if refused:
            raise StoreUnavailableError(
                f"{self.place}: it does not take what is written: {refused[0].words}; give linklag a bucket of its own"
            )
        try:
            found = self.query(f'SELECT at FROM "probe" WHERE time >= {now_ns} AND time <= {now_ns}')  # noqa: S608
        except QueryRefusedError as error:
            raise StoreUnavailableError(str(error)) from error
        if not found:
            raise StoreUnavailableError(
                f"{self.place}: what was written is not there: on 2.0 to 2.3 map the bucket to a database of the same "
                "name first (influx v1 dbrp create), and give a token that may read and write it"
            )
        return self._version()

    def _version(self) -> str:
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            answer = self._client.api_client.call_api(  # type: ignore[no-untyped-call]
                "/ping", "GET", _preload_content=False, _return_http_data_only=True, async_req=False
            )
            self._all_of(answer)
        except (ApiException, HTTPError, OSError):
            return ""
        return str(answer.headers.get("X-Influxdb-Version", ""))

    # Faults in words

    def _unavailable(self, error: Any) -> StoreUnavailableError:
        """What an answer that is none about the lines means. Whoever calls keeps what it has and tries again."""
        status = int(error.status or 0)
        if status in {429, 503}:
            self._wait(error.headers)
        said = _said(error.body) or _one_line(error.reason)
        if status in _FIXES:
            fix = _FIXES[status]
        elif status == 0:
            fix = "its certificate is not trusted: give the one to trust as influx.tls_ca_file"
        elif 300 <= status < 400:
            fix = "it sends us elsewhere: give that address as influx.url"
        else:
            fix = "look into its log; tried again until it works"
        return StoreUnavailableError(f"{self.place}: status {status}, {said}: {fix}")

    def _wait(self, headers: Any) -> None:
        wait_s = _seconds((headers or {}).get("Retry-After", ""))
        with self._rest:
            self._not_before_s = max(self._not_before_s, time.monotonic() + min(wait_s, WAIT_S_MAX))

    def _unreached(self, error: Exception) -> StoreUnavailableError:
        why = "it does not answer in time" if "Timeout" in type(error).__name__ else "it cannot be reached"
        return StoreUnavailableError(
            f"{self.place}: {why} ({_one_line(error)}): start it, or correct influx.url"
        )


_FIXES = {
    401: "give a token that is valid there, in influx.token_file",
    403: "let the token read and write this bucket",
    404: "make the bucket, or correct influx.bucket and influx.org",
    429: "it is too busy; tried again until it works",
    503: "it is too busy or starting; tried again until it works",
}


def _said(body: Any) -> str:
    """Return what the server said, in one line: its JSON's `error` or `message`, or the text."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        parsed = json.loads(text)
    except ValueError:
        return _one_line(text)
    if isinstance(parsed, dict):
        return _one_line(parsed.get("message") or parsed.get("error") or text)
    return _one_line(text)


def _one_line(value: object) -> str:
    return " ".join(str(value).split())[:_WORDS_MAX]


def _seconds(header: str) -> float:
    """Return what a Retry-After asks for: seconds, or a date; 0 where it is neither."""
    try:
        return max(0.0, float(header))
    except ValueError:
        pass
    try:
        return max(0.0, parsedate_to_datetime(header).timestamp() - time.time())
    except (TypeError, ValueError):
        return 0.0
