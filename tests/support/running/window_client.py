"""``freeair open`` as a program of its own, and a bare client that asks it."""

from __future__ import annotations

import http.client
import json
import signal
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from program import begun


class Client:
    """Asks the window as its own page would, or otherwise on request."""

    def __init__(self, address: str) -> None:
        self.address = address
        parts = urlsplit(address)
        self.host = parts.netloc
        self._name, self._port = str(parts.hostname), int(parts.port or 0)
        answer = self.ask("GET", f"/?{parts.query}", cookie="")
        assert answer.status == 303, answer.text
        self.cookie = answer.heads["set-cookie"].split(";")[0]
        self.set_cookie = answer.heads["set-cookie"]

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        *,
        heads: Mapping[str, str] | None = None,
        cookie: str | None = None,
    ) -> Answer:
        """One request; ``heads`` replace or add to those that our page would send."""
        own = {"Host": self.host, "Origin": f"http://{self.host}"}
        jar = self.cookie if cookie is None else cookie
        if jar:
            own["Cookie"] = jar
        own.update(heads or {})
        line = http.client.HTTPConnection(self._name, self._port, timeout=60)
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in own.items():
                line.putheader(name, value)
            if body is not None and "Content-Length" not in own:
                line.putheader("Content-Length", str(len(body)))
            line.endheaders(body)
            got = line.getresponse()
            named = {name.lower(): value for name, value in got.getheaders()}
            return Answer(got.status, named, got.read())
        finally:
            line.close()

    def get(self, path: str) -> Answer:
        """A page."""
        return self.ask("GET", path)

    def post(self, path: str, content: Any) -> Answer:
        """What a button sends."""
        return self.ask("POST", path, json.dumps(content).encode())

    def do(self, action: str, **fields: Any) -> Answer:
        """A form; names of options are written with underscores. Cautions are read."""
        said = {}
        for name, value in fields.items():
            long = name if name.isupper() else "--" + name.replace("_", "-")
            said[long] = value
        answer = self.post(f"/do/{action}", {"fields": said, "read": []})
        if answer.status != 200:  # else there are cautions to read
            return answer
        titles = [one["title"] for one in answer.json["cautions"]]
        return self.post(f"/do/{action}", {"fields": said, "read": titles})

    def events(self) -> Iterator[tuple[str, Any]]:
        """What the window is told as it happens."""
        line = http.client.HTTPConnection(self._name, self._port, timeout=60)
        line.request("GET", "/live", headers={"Host": self.host, "Cookie": self.cookie})
        got = line.getresponse()
        name = ""
        try:
            while raw := got.readline():
                text = raw.decode().rstrip("\n")
                if text.startswith("event: "):
                    name = text[7:]
                elif text.startswith("data: "):
                    yield name, json.loads(text[6:])
        finally:
            line.close()

    def finished(self) -> dict[str, Any]:
        """The job that runs, once it has ended."""
        for name, said in self.events():
            if name == "job" and said is not None and said["status"] is not None:
                return dict(said)
        raise AssertionError("the window ended before its job did")


class Answer:
    """What came back."""

    def __init__(self, status: int, heads: dict[str, str], body: bytes) -> None:
        self.status = status
        self.heads = heads
        self.text = body.decode("utf-8", "replace")

    @property
    def json(self) -> Any:
        """The body as JSON."""
        return json.loads(self.text)


@contextmanager
def opened(
    folder: Path, *words: str, environment: Mapping[str, str] | None = None
) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The window of a folder: its address and its process, ended by Ctrl-C."""
    command = ("open", str(folder), "--no-browser", *words)
    with begun(*command, environment=environment, cwd=folder) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert address.startswith("http://"), address
        yield address, process
        process.send_signal(signal.SIGINT)
        process.wait(30)
