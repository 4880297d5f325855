"""Who may reach the window, and how far: another host, another page, climbing, too much."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from urllib.parse import quote

import pytest
from window_client import Client, opened

from cli.window.guard import LARGEST_DROP

SECRET = "nobody outside may read this"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    below = tmp_path_factory.mktemp("around") / "lantern"
    below.mkdir()
    (below.parent / "secret.csv").write_text(SECRET)
    (below / "bench.toml").write_text('format = "freeair-rig/1"\nname = "shed"\n')
    (below / "away.csv").symlink_to(below.parent / "secret.csv")
    (below / "up").symlink_to(below.parent)
    (below / "round").symlink_to("round")
    return below


@pytest.fixture(scope="module")
def client(place: Path) -> Iterator[Client]:
    with opened(place) as (address, _):
        yield Client(address)


def test_it_listens_on_this_machine_alone(client: Client) -> None:
    assert client.host.startswith("127.0.0.1:")
    own = socket.gethostbyname_ex(socket.gethostname())[2]
    port = int(client.host.split(":")[1])
    for address in own:
        if address.startswith("127."):
            continue
        with socket.socket() as probe:
            probe.settimeout(2)
            assert probe.connect_ex((address, port)) != 0, address


def test_key_is_exchanged_for_a_cookie_of_this_site(client: Client) -> None:
    assert "HttpOnly" in client.set_cookie
    assert "SameSite=Strict" in client.set_cookie
    assert client.address.split("key=")[1] not in client.set_cookie


@pytest.mark.parametrize(
    "cookie", ["", "freeair-00000000=guess", "a=b; c", "\x7f=;;;=", "x" * 3000]
)
def test_without_the_cookie_nothing_is_told(client: Client, cookie: str) -> None:
    for path in ("/", "/live", "/data/curve?of=away.csv", "/static/window.js"):
        answer = client.ask("GET", path, cookie=cookie or "none=1")
        assert answer.status == 403, path
        assert "units" not in answer.text


@pytest.mark.parametrize("key", ["", "x", "%00", "key", "é"])
def test_a_wrong_key_is_no_key(client: Client, key: str) -> None:
    answer = client.ask(
        "GET", f"/?key={key.encode().hex() if not key.isascii() else key}", cookie="a=b"
    )
    assert answer.status == 403
    assert "set-cookie" not in answer.heads


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", "localhost", "", "[::1]:80"],
)
def test_another_name_for_this_machine_is_not_answered(client: Client, host: str) -> None:
    """A name server elsewhere can let any name point here."""
    assert client.ask("GET", "/", heads={"Host": host}).status in (400, 421)


def test_two_hosts_are_none(client: Client) -> None:
    with socket.create_connection(("127.0.0.1", int(client.host.split(":")[1])), 10) as line:
        line.sendall(
            f"GET / HTTP/1.1\r\nHost: {client.host}\r\nHost: evil.example\r\n"
            f"Cookie: {client.cookie}\r\nConnection: close\r\n\r\n".encode()
        )
        assert line.recv(4096).split(b" ")[1] in (b"400", b"421")


@pytest.mark.parametrize(
    "heads",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1"},
        {"Origin": "https://{host}"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
    ids=str,
)
@pytest.mark.parametrize("path", ["/do/rig-new", "/stop", "/drop?name=a.csv"])
def test_other_pages_press_no_button(client: Client, path: str, heads: dict[str, str]) -> None:
    heads = {name: value.format(host=client.host) for name, value in heads.items()}
    assert client.ask("POST", path, b"{}", heads=heads).status == 403
    assert client.ask(
        "GET", "/", heads={k: v for k, v in heads.items() if "Fetch" in k}
    ).status in (403 if any("Fetch" in k for k in heads) else 200,)


@pytest.mark.parametrize(
    "method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"]
)
def test_other_methods_do_nothing(client: Client, method: str) -> None:
    assert client.ask(method, "/do/take", b"{}").status in (400, 403, 405)


def test_a_button_without_origin_is_not_pressed(client: Client) -> None:
    with socket.create_connection(("127.0.0.1", int(client.host.split(":")[1])), 10) as line:
        line.sendall(
            f"POST /stop HTTP/1.1\r\nHost: {client.host}\r\nCookie: {client.cookie}\r\n"
            "Content-Length: 2\r\nConnection: close\r\n\r\n{}".encode()
        )
        assert line.recv(4096).split(b" ")[1] == b"403"


CLIMBS = (
    "../secret.csv", "..%2fsecret.csv", "%2e%2e/secret.csv", "/etc/passwd", "//etc/passwd",
    "up/secret.csv", "away.csv", "takes/../../secret.csv", "C:\\secret.csv", "..\\secret.csv",
    "secret.csv%00.csv", "~/secret.csv", "file:///etc/passwd", ".", "..", "", "round",
)  # fmt: skip


@pytest.mark.parametrize("name", CLIMBS)
def test_no_path_leads_out_of_the_folder(client: Client, name: str) -> None:
    paths = [f"/data/{what}?of={name}" for what in ("curve", "take", "fit")]
    paths += [f"/take?of={name}", f"/static/{name}", f"/uplot/{name}"]
    for path in paths:
        answer = client.get(path.replace(" ", "%20"))
        if path == "/take?of=":
            continue
        assert answer.status >= 400, path
        assert SECRET not in answer.text
        assert "root:" not in answer.text


@pytest.mark.parametrize("name", CLIMBS)
def test_no_button_writes_or_reads_outside(client: Client, place: Path, name: str) -> None:
    before = sorted(p.name for p in place.parent.rglob("*"))
    forms = [
        ("take", {"UNIT": "x", "--rig": name}),
        ("fit", {"TAKE": [name]}),
        ("rig-new", {"FILE": name, "--series-resistor": "10ohm", "--amplifier": "none"}),
        ("rig-new", {"FILE": "up/new.toml", "--series-resistor": "1ohm", "--amplifier": "none"}),
        ("compare", {"BEFORE": name, "AFTER": name}),
        ("import", {"RECORDING": name, "--rig": "bench.toml", "--unit": "x"}),
    ]
    for action, fields in forms:
        answer = client.post(f"/do/{action}", {"fields": fields, "read": []})
        assert answer.status == 422, (action, name, answer.text)
        assert SECRET not in answer.text
    assert sorted(p.name for p in place.parent.rglob("*")) == before


@pytest.mark.parametrize(
    ("action", "fields"),
    [
        ("take", {"UNIT": "x", "--rig": "bench.toml", "--out": "/elsewhere"}),
        ("fit", {"TAKE": ["bench.toml"], "--save": "/elsewhere/x.json"}),
        ("fit", {"TAKE": ["bench.toml"], "--report": "/elsewhere/x.html"}),
        ("take", {"UNIT": ["a", "b"], "--rig": "bench.toml"}),
        ("take", {"UNIT": {"a": 1}, "--rig": "bench.toml"}),
        ("take", {"UNIT": "a\nb", "--rig": "bench.toml"}),
        ("take", {"UNIT": "x" * 400, "--rig": "bench.toml"}),
        ("rig-new", {"FILE": "x.py", "--series-resistor": "10ohm", "--amplifier": "none"}),
        ("rig-new", {"FILE": ".hidden.toml", "--series-resistor": "1ohm", "--amplifier": "none"}),
        ("refit", {}),
        ("../take", {}),
        ("take", []),
    ],
    ids=str,
)
def test_only_what_a_form_offers_can_be_asked_for(
    client: Client, action: str, fields: object
) -> None:
    answer = client.post(f"/do/{action}", {"fields": fields, "read": []})
    assert answer.status in (404, 422), answer.text


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"null", b"\xff\xfe", b"[" * 60000, b'{"fields":3}']
)
def test_nonsense_is_answered_in_words(client: Client, body: bytes) -> None:
    answer = client.ask("POST", "/do/take", body)
    assert answer.status == 422
    assert json.loads(answer.text)["fault"]["what"]


def test_ten_gigabytes_are_not_taken(client: Client, place: Path) -> None:
    answer = client.ask(
        "POST", "/drop?name=huge.wav", None, heads={"Content-Length": str(10 * 2**30)}
    )
    assert answer.status == 413
    assert not list(place.rglob("huge*"))


def test_a_body_of_unstated_length_is_bounded_too(client: Client) -> None:
    with socket.create_connection(("127.0.0.1", int(client.host.split(":")[1])), 20) as line:
        line.sendall(
            f"POST /do/take HTTP/1.1\r\nHost: {client.host}\r\nCookie: {client.cookie}\r\n"
            f"Origin: http://{client.host}\r\nTransfer-Encoding: chunked\r\n"
            "Connection: close\r\n\r\n".encode()
        )
        piece = b"8000\r\n" + b"x" * 0x8000 + b"\r\n"
        try:
            for _ in range(4):
                line.sendall(piece)
            line.sendall(b"0\r\n\r\n")
        except OSError:
            pass  # it hung up in the middle, which is an answer too
        try:
            said = line.recv(4096)
        except ConnectionResetError:
            said = b""
        assert not said or said.split(b" ")[1] == b"413"


def test_ten_gigabytes_in_pieces_fill_neither_memory_nor_disk(tmp_path: Path) -> None:
    """Whoever states no length is cut off at the bound; nothing of it stays."""
    whole, piece = 10 * 2**30, b"100000\r\n" + bytes(2**20) + b"\r\n"
    with opened(tmp_path) as (address, process):
        client = Client(address)
        memory = peak_memory(process.pid)
        free = shutil.disk_usage(tempfile.gettempdir()).free
        sent = 0
        with socket.create_connection(("127.0.0.1", int(client.host.split(":")[1])), 60) as line:
            line.sendall(
                f"POST /drop?name=huge.wav HTTP/1.1\r\nHost: {client.host}\r\n"
                f"Cookie: {client.cookie}\r\nOrigin: http://{client.host}\r\n"
                "Transfer-Encoding: chunked\r\n\r\n".encode()
            )
            with suppress(OSError):
                while sent < whole:
                    line.sendall(piece)
                    sent += 2**20
        assert LARGEST_DROP <= sent + 2**20 < 1.2 * LARGEST_DROP
        assert client.get("/").status == 200
        # What was held of it at once: less than a twentieth of the bound.
        assert peak_memory(process.pid) - memory < LARGEST_DROP / 20
        assert not list(tmp_path.rglob("*huge*"))
        assert free - shutil.disk_usage(tempfile.gettempdir()).free < LARGEST_DROP / 2


def peak_memory(pid: int) -> int:
    """Largest resident memory so far [bytes] (proc(5), VmHWM)."""
    text = Path(f"/proc/{pid}/status").read_text()
    return 1024 * int(text.split("VmHWM:")[1].split()[0])


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../evil.csv", "evil.csv"),
        ("..\\..\\evil.csv", "evil-2.csv"),
        ("nul\0.csv", "nul-2.csv"),  # nul.csv is a device on Windows
        ("<img src=x>.csv", "img-src-x.csv"),
        ("-rf.csv", "rf.csv"),
        (".csv", None),
        ("evil.exe", None),
        ("x.csv/../../y.py", None),
        ("take.json", None),
        ("a.toml", None),
    ],
)
def test_dropped_names_stay_names(client: Client, place: Path, name: str, kept: str | None) -> None:
    before = {p for p in place.parent.rglob("*") if not p.is_symlink()}
    answer = client.ask("POST", f"/drop?name={quote(name)}", b"frequency_hz,magnitude_ohm\n1,2\n")
    made = {p for p in place.parent.rglob("*") if not p.is_symlink()} - before
    assert answer.status == (422 if kept is None else 200), answer.text
    expected = set() if kept is None else {place / "tables" / kept}
    assert made - {place / "tables"} == expected


def test_a_table_that_means_nothing_is_not_kept(client: Client, place: Path) -> None:
    answer = client.ask("POST", "/drop?name=junk.csv", b"hello,world\n1,2\n")
    assert answer.status == 422
    assert "frequency_hz" in answer.text
    assert not list(place.rglob("junk*"))


def test_answers_forbid_all_that_comes_from_elsewhere(client: Client) -> None:
    for path in ("/", "/static/window.js", "/nothing", "/take?of=../x"):
        heads = client.get(path).heads
        policy = heads["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert heads["x-content-type-options"] == "nosniff"
        assert heads["referrer-policy"] == "no-referrer"
        assert heads["cache-control"] == "no-store"


def test_no_log_holds_the_key(place: Path) -> None:
    with opened(place) as (address, process):
        client = Client(address)
        client.get("/")
        client.get("/nothing?key=" + address.split("key=")[1])
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
        assert process.returncode == 0
        key = address.split("key=")[1]
        assert key not in out + err
        assert client.cookie.split("=")[1] not in out + err
