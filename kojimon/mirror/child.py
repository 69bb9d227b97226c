"""The process that talks to the server: `python -m kojimon.mirror.child`. One request in flight.

Reads JSON lines on standard input: first the address (url, organisation, bucket, token, timeout_s), then parcels
`[[tags, fields, time_ns, measurement], ...]`. Answers each with one line: status, text, retry_after_s.
Ends when its input ends, so it never outlives the daemon. influxdb-client is imported here and nowhere else.
"""

from __future__ import annotations

import sys
from typing import Any, Final

import msgspec

from kojimon.child import begin
from kojimon.mirror.answers import Answer

TEXT_MOST: Final = 2000
Points = list[tuple[dict[str, str], dict[str, object], int, str]]


class Address(msgspec.Struct, frozen=True):
    """Where to, as what, and how long a request may take."""

    url: str
    organisation: str
    bucket: str
    token: str
    timeout_s: float


class Client:
    """influxdb-client's synchronous write API, without its own retries and queue."""

    def __init__(self, address: Address) -> None:
        import influxdb_client
        from influxdb_client.client.write_api import SYNCHRONOUS
        from urllib3 import Retry

        self._library: Any = influxdb_client
        self._organisation, self._bucket = address.organisation, address.bucket
        client = self._library.InfluxDBClient(
            url=address.url,
            token=address.token,
            org=self._organisation,
            timeout=round(address.timeout_s * 1000),
            enable_gzip=True,
            retries=Retry(0, redirect=0),
        )
        self._write = client.write_api(write_options=SYNCHRONOUS)

    def send(self, points: Points) -> Answer:
        """Writes points in one request. Every failure is an answer, with status 0 where none came."""
        from influxdb_client.rest import ApiException

        nanoseconds = self._library.WritePrecision.NS
        try:
            lines = [self._line(*point) for point in points]
            self._write.write(self._bucket, self._organisation, lines, write_precision=nanoseconds)
        except ApiException as problem:
            return Answer(int(problem.status or 0), _text(problem), _retry_after_s(problem.headers))
        except Exception as problem:
            return Answer(0, f"{type(problem).__name__}: {problem}"[:TEXT_MOST])
        return Answer(204, "")

    def _line(self, tags: dict[str, str], fields: dict[str, object], time_ns: int, measurement: str) -> str:
        whole = {"measurement": measurement, "tags": tags, "fields": fields, "time": time_ns}
        return str(self._library.Point.from_dict(whole).to_line_protocol())


def _text(problem: Any) -> str:
    body = problem.body
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or problem.reason or "")
    return text[:TEXT_MOST]


def _retry_after_s(headers: Any) -> float:
    try:
        return max(0.0, float(headers.get("Retry-After", 0)))
    except (AttributeError, TypeError, ValueError):
        return 0.0


def main() -> None:
    """Answers until the input ends."""
    begin()
    lines = iter(sys.stdin.buffer.readline, b"")
    client = Client(msgspec.json.decode(next(lines), type=Address))
    for line in lines:
        answer = client.send(msgspec.json.decode(line, type=Points))
        sys.stdout.buffer.write(msgspec.json.encode(answer._asdict()) + b"\n")
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
