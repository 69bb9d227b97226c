"""The TCP door: who is let in, who may act, what is turned away. Against a running daemon."""

from __future__ import annotations

import base64
import http.client
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from kojimon.settings.spec import Secret, WebSettings
from kojimon.web.http.access import addresses, host_name, keys_of
from kojimon.web.http.door import is_loopback
from kojimon.web.http.keys import ADDRESSES_MOST, GUESSES_MOST, Keys, TooMany
from tests.web.pages import TOKEN, Door, page

JSON = {"Content_Type": "application/json"}
NOTE = b'{"kind": "alarm.test", "data": {"text": "x"}}'


@pytest.fixture(scope="module")
def open_door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """Loopback, no token."""
    with page(tmp_path_factory.mktemp("open")) as door:
        yield door


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A token is wanted."""
    with page(tmp_path_factory.mktemp("guarded"), token=True) as door:
        yield door


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """Open to the network (all addresses of this machine), without a token."""
    with page(tmp_path_factory.mktemp("network"), host="0.0.0.0") as door:
        yield door


# Hosts.


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "a@127.0.0.1", "127.0.0.1:x", "[::1", "kojimon"]
)
def test_a_foreign_name_is_turned_away(open_door: Door, host: str) -> None:
    """DNS rebinding: the foreign page's name points here, and its Origin equals its Host."""
    for path in ("/", "/v1/state", "/metrics", "/static/page.js"):
        answer = open_door.ask("GET", path, Host=host, Origin=f"http://{host}")
        assert answer.status in (400, 404), path
        assert b"incubators" not in answer.body


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "LOCALHOST:{port}", "localhost", "kojimon.example", "Kojimon.Example.:80", "[::1]:{port}"]
)
def test_our_own_names_are_let_in(open_door: Door, host: str) -> None:
    assert open_door.ask("GET", "/v1/state", Host=host.format(port=open_door.port)).status == 200


def test_host_names() -> None:
    assert host_name("[::1]:8137") == "::1"
    assert host_name("a.b:99999") == host_name("a b/c") == host_name("u@h") == ""
    assert is_loopback("127.3.2.1") and is_loopback("::1") and not is_loopback("192.0.2.1")


# Acting.


@pytest.mark.parametrize("path", ["/act", "/v1/acts", "/prefs", "/leave", "/photo", "/v1/page"])
def test_nothing_is_done_by_get(open_door: Door, path: str) -> None:
    before = len(open_door.live.client.get("/v1/events")["events"])
    for method in ("GET", "HEAD", "PUT", "DELETE", "PATCH", "OPTIONS"):
        assert open_door.ask(method, path).status in (404, 405), method
    assert len(open_door.live.client.get("/v1/events")["events"]) == before


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "https://127.0.0.1.evil.example"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Cookie": "kojimon=1.x.y"},
    ],
)
@pytest.mark.parametrize("path", ["/act", "/v1/acts", "/photo?incubator=box"])
def test_what_comes_from_another_page_is_turned_away(open_door: Door, path: str, headers: dict[str, str]) -> None:
    before = len(open_door.live.client.get("/v1/events")["events"])
    for kind in ("application/json", "application/x-www-form-urlencoded", "text/plain"):
        assert open_door.ask("POST", path, NOTE, Content_Type=kind, **headers).status == 403
    assert len(open_door.live.client.get("/v1/events")["events"]) == before


def test_a_plain_form_without_an_origin_is_no_program(open_door: Door) -> None:
    answer = open_door.ask("POST", "/act", b"kind=alarm.test", Content_Type="application/x-www-form-urlencoded")
    assert answer.status == 403
    told = open_door.ask("POST", "/v1/readings", b"{}", Content_Type="application/x-www-form-urlencoded")
    assert told.status == 403 and "a token is expected" in told.json["error"]


def test_on_loopback_without_a_token_programs_and_our_page_act(open_door: Door) -> None:
    assert open_door.ask("POST", "/v1/acts", NOTE, **JSON).status == 200
    assert open_door.act("alarm.test", text="hello").status == 200


def test_in_the_network_without_a_token_people_look_and_nobody_acts(network: Door) -> None:
    assert network.get("/").status == 200
    for path, kind in (("/act", "application/x-www-form-urlencoded"), ("/v1/acts", "application/json")):
        answer = network.ask("POST", path, NOTE, Content_Type=kind, Origin=network.origin)
        assert answer.status == 403 and "web.token" in answer.json["error"]


# With a token.


@pytest.mark.parametrize("path", ["/", "/box/box", "/v1/state", "/v1/series?place=bed", "/metrics", "/live", "/regions",
                                  "/curve/box.svg", "/batches", "/batch/x", "/compare", "/photos/x.jpg", "/start/box",
                                  "/v1/openapi.json", "/nothing"])  # fmt: skip
def test_without_the_token_nothing_is_seen(guarded: Door, path: str) -> None:
    answer = guarded.get(path)
    assert answer.status == 401 and answer.headers["www-authenticate"] == "Bearer"
    led = guarded.get(path, Accept="text/html")
    assert (led.status, led.headers["location"], led.body) == (303, "/enter", b"")


@pytest.mark.parametrize("path", ["/act", "/v1/acts", "/photo?incubator=box", "/prefs", "/leave", "/v1/page"])
def test_without_the_token_nothing_is_done(guarded: Door, path: str) -> None:
    for cookie in ("", "kojimon=", "kojimon=1.abc.0123", f"kojimon={TOKEN}"):
        assert guarded.ask("POST", path, NOTE, Origin=guarded.origin, Cookie=cookie, **JSON).status == 401
    assert guarded.ask("POST", path, NOTE, Authorization="Bearer wrong", **JSON).status == 401


def test_a_program_with_the_token_looks_and_acts(guarded: Door) -> None:
    bearer = {"Authorization": f"Bearer {TOKEN}"}
    assert guarded.get("/v1/state", **bearer).status == 200
    assert guarded.ask("POST", "/v1/acts", NOTE, **JSON, **bearer).status == 200
    # ... but not where a foreign page makes a browser send it.
    assert guarded.ask("POST", "/v1/acts", NOTE, Origin="http://evil.example", **JSON, **bearer).status == 403


def enter(door: Door, code: str) -> str:
    """The cookie for a code; "" when there is none."""
    answer = door.form("/enter", {"code": code})
    return answer.headers.get("set-cookie", "")


def test_a_person_enters_with_the_token_and_stays(guarded: Door) -> None:
    cookie = enter(guarded, TOKEN)
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    assert TOKEN not in cookie
    name = cookie.split(";")[0]
    assert guarded.get("/", Cookie=name).status == 200
    done = guarded.form("/act", {"kind": "alarm.test"}, Cookie=f"unit=F; {name}; zone=UTC")
    assert (done.status, done.headers["location"].split("=")[0]) == (303, "/?told")
    assert guarded.get("/", Cookie=name[:-1] + ("0" if name[-1] != "0" else "1")).status == 401


def test_a_code_lets_in_once(guarded: Door) -> None:
    made = guarded.live.client.post("/v1/page", {})
    assert made["addresses"] == [f"http://kojimon.example:{guarded.port}/"]
    assert enter(guarded, made["code"])
    assert not enter(guarded, made["code"])


def test_codes_are_not_made_over_the_network(guarded: Door) -> None:
    cookie = enter(guarded, TOKEN).split(";")[0]
    assert guarded.ask("POST", "/v1/page", b"{}", Origin=guarded.origin, Cookie=cookie, **JSON).status == 403


def test_guesses_are_counted(tmp_path: Path) -> None:
    with page(tmp_path, token=True) as door:
        wrong = [door.form("/enter", {"code": f"guess {number}"}).status for number in range(GUESSES_MOST)]
        assert wrong == [403] * GUESSES_MOST
        assert door.form("/enter", {"code": "once more"}).status == 429
        right = door.form("/enter", {"code": TOKEN})
        assert right.status == 429 and right.headers["retry-after"] == "300" and "set-cookie" not in right.headers


def test_what_cannot_be_guessed_needs_no_count(guarded: Door) -> None:
    """A code has 128 bits of chance and lasts ten minutes, a cookie's signature has 256."""
    code = guarded.live.client.post("/v1/page", {})["code"]
    assert len(base64.urlsafe_b64decode(code + "==")) == 16
    cookie = enter(guarded, code).split(";")[0]
    assert len(bytes.fromhex(cookie.rpartition(".")[2])) == 32


def test_guesses_are_counted_wherever_a_token_is_taken(tmp_path: Path) -> None:
    with page(tmp_path, token=True) as door:
        mine = enter(door, TOKEN).split(";")[0]
        tried = [door.get("/v1/state", Authorization=f"Bearer guess {number}").status for number in range(20)]
        assert tried == [401] * GUESSES_MOST + [429] * (20 - GUESSES_MOST)
        right = door.get("/v1/state", Authorization=f"Bearer {TOKEN}")
        assert right.status == 429 and right.headers["retry-after"] == "300"
        assert door.form("/enter", {"code": TOKEN}).status == 429, "one count for both ways"
        # Who is in stays in, and a code lets in from the same address.
        assert door.get("/", Cookie=mine).status == 200
        assert enter(door, door.live.client.post("/v1/page", {})["code"])


def test_leaving_ends_the_session_on_the_server(tmp_path: Path) -> None:
    with page(tmp_path, token=True) as door:
        mine, other = (enter(door, TOKEN).split(";")[0] for _ in range(2))
        link = http.client.HTTPConnection("127.0.0.1", door.port, timeout=60)
        link.request("GET", "/live", headers={"Host": door.host, "Cookie": mine})
        stream = link.getresponse()
        assert stream.status == 200 and stream.readline()
        assert door.form("/leave", {}, Cookie=mine).status == 303
        assert door.get("/", Cookie=mine).status == 401
        assert door.get("/", Cookie=other).status == 200
        while stream.readline():  # ends by itself: who has left sees no more
            pass
        link.close()
    with page(tmp_path, token=True) as door:
        assert door.get("/", Cookie=mine).status == 401
        assert door.get("/", Cookie=other).status == 200


def test_secrets_stand_in_no_log(guarded: Door, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("DEBUG"):
        code = guarded.live.client.post("/v1/page", {})["code"]
        enter(guarded, code)
        enter(guarded, TOKEN)
        guarded.get("/v1/state", Authorization=f"Bearer {TOKEN}")
    assert TOKEN not in caplog.text and code not in caplog.text


def test_every_answer_carries_the_headers_that_protect_it(open_door: Door) -> None:
    for path in ("/", "/v1/state", "/static/page.js", "/curve/box.svg", "/nothing"):
        headers = open_door.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "script-src 'self'" in policy, path
        assert "unsafe-inline" not in policy and "unsafe-eval" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "server" not in headers


def test_data_is_kept_by_nobody(open_door: Door) -> None:
    for path in ("/", "/batches", "/start/box", "/regions", "/metrics"):
        assert open_door.get(path).headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    ("path", "most"), [("/act", 65_536), ("/v1/acts", 65_536), ("/photo?incubator=box", 9 * 1024 * 1024)]
)
def test_bodies_have_a_limit(open_door: Door, path: str, most: int) -> None:
    own = {"Origin": open_door.origin, **JSON}
    assert open_door.ask("POST", path, None, Content_Length=str(most + 1), **own).status == 413
    assert open_door.ask("POST", path, None, Transfer_Encoding="chunked", **own).status == 411


# Keys alone.


def test_a_new_token_makes_old_cookies_worthless() -> None:
    cookie = Keys("one").enter("one", "a")
    assert Keys("one").is_cookie(cookie)
    assert not Keys("two").is_cookie(cookie)
    assert not Keys("").is_cookie(cookie)


def test_a_token_that_cannot_be_read_shuts_the_door() -> None:
    keys = keys_of(WebSettings(token=Secret(file="/nowhere/at/all")))
    assert keys.wanted
    assert not keys.is_token("") and not keys.enter(keys.new_code(), "a")


def test_the_guesses_of_others_lock_nobody_out() -> None:
    keys = Keys("one")
    for address in range(6):
        for number in range(GUESSES_MOST):
            assert not keys.enter(f"wrong {number}", f"192.0.2.{address}")
        with pytest.raises(TooMany):
            keys.enter("one", f"192.0.2.{address}")
    assert keys.enter("one", "198.51.100.1")
    assert keys.enter(keys.new_code(), "192.0.2.0"), "a code is no guess"


def test_one_wrong_token_sent_again_and_again_is_one_guess() -> None:
    keys = Keys("one")
    assert not any(keys.takes("the old one", "192.0.2.1") for _ in range(100))
    assert keys.takes("one", "192.0.2.1")


def test_the_table_of_guesses_has_an_end() -> None:
    keys = Keys("one")
    for number in range(ADDRESSES_MOST + 50):
        keys.takes("wrong", f"10.0.{number // 250}.{number % 250}")
    assert len(keys._wrong) == ADDRESSES_MOST


@pytest.mark.parametrize("token", ["x", "a" * 30, "secret", "abcabcabcabcabc", "elevenchars"])
def test_a_weak_token_shuts_the_door_to_the_network_alone(tmp_path: Path, token: str) -> None:
    (tmp_path / "token").write_text(f"{token}\n")
    secret = Secret(file=str(tmp_path / "token"))
    for host in ("0.0.0.0", "::", "192.0.2.7"):
        keys = keys_of(WebSettings(host=host, token=secret))
        assert keys.wanted and "easily guessed" in keys.shut and not keys.is_token(token)
    assert keys_of(WebSettings(host="127.0.0.1", token=secret)).is_token(token)


def test_who_has_left_stays_out_after_a_restart(tmp_path: Path) -> None:
    file = tmp_path / "left"
    keys = Keys("one", left=file)
    gone, stays = keys.enter("one", "a"), keys.enter("one", "a")
    keys.leave(gone)
    for never in ("", "1.x.y", f"{stays[:-1]}~"):
        keys.leave(never)  # what is no cookie of ours fills no file
    assert len(file.read_text().split()) == 1 and file.stat().st_mode & 0o777 == 0o600
    for now in (keys, Keys("one", left=file)):
        assert not now.is_cookie(gone) and now.is_cookie(stays)


def test_codes_are_few() -> None:
    keys = Keys("one")
    codes = [keys.new_code() for _ in range(9)]
    assert keys.enter(codes[0], "a") == ""
    assert keys.enter(codes[-1], "a")


# Looking freely.


@pytest.fixture(scope="module")
def free(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """Everybody may look; acting wants the token."""
    with page(tmp_path_factory.mktemp("free"), token=True, host="0.0.0.0", look_free=True) as door:
        yield door


@pytest.mark.parametrize("path", ["/", "/v1/state", "/metrics", "/batches", "/v1/curve?x=1"])
def test_looking_is_free_where_the_settings_say_so(free: Door, path: str) -> None:
    assert free.get(path).status in (200, 400)


def test_acting_wants_the_token_all_the_same(free: Door) -> None:
    before = len(free.live.client.get("/v1/events")["events"])
    for path in ("/act", "/v1/acts", "/photo", "/leave"):
        answer = free.ask("POST", path, NOTE, **JSON, Origin=free.origin)
        assert answer.status == 401, path
    assert len(free.live.client.get("/v1/events")["events"]) == before
    told = {"Authorization": f"Bearer {TOKEN}"}
    assert free.ask("POST", "/v1/acts", NOTE, **JSON, **told).status == 200
    assert free.ask("POST", "/v1/page", b"{}", **JSON, **told).status == 403


def test_who_only_looks_is_told_so_and_led_to_the_door(free: Door) -> None:
    assert "View only." in free.get("/").text
    pressed = free.form("/act", {"kind": "alarm.test", "incubator": ""}, Accept="text/html")
    assert (pressed.status, pressed.headers["location"]) == (303, "/enter")
    chosen = free.form("/prefs", {"unit": "F", "zone": "UTC", "who": ""}, Accept="text/html")
    assert (chosen.status, chosen.headers["location"]) == (303, "/")
    cookie = free.form("/enter", {"code": TOKEN}).headers["set-cookie"].partition(";")[0]
    assert "View only." not in free.get("/", Cookie=cookie).text


def test_a_page_open_to_all_is_told_by_an_address_that_a_phone_can_open() -> None:
    shown = addresses(WebSettings(host="0.0.0.0", token=Secret(file="t")), [8137])[0]
    assert re.fullmatch(r"http://\d+\.\d+\.\d+\.\d+:8137/", shown) and "0.0.0.0" not in shown
    assert addresses(WebSettings(host="192.0.2.7"), [8137]) == ["http://192.0.2.7:8137/"]
    assert addresses(WebSettings(host="0.0.0.0", allowed_hosts=("kojimon.local",)), [80]) == ["http://kojimon.local:80/"]
