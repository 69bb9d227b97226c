"""The page without a script: what stands on it, its forms, its curves, what hostile input comes to."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

import pytest

from kojimon.web.page.shown import environment
from kojimon.web.page.viewer import preference_cookies
from tests.curve.sheets import read
from tests.web.pages import Answer, Door, page

JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 200
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>'


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A daemon with a batch three hours old, its name hostile."""
    with page(tmp_path_factory.mktemp("page")) as one:
        assert one.act("batch.start", name=HOSTILE, rice_kg="2,5", schedule="", note="").status == 200
        one.live.put("k/bed", 31.0)
        one.live.tick(10)
        assert one.act("step.done", step="inoculate").status == 200
        for minute in range(180):
            # A probe that says the same for hours is judged to be stuck.
            noise = (179 - minute) % 5 / 10
            values = {"bed": 31.0 + minute / 60, "bed-2": 30.0 + noise, "bed-3": 32.0 + noise, "air": 29.0 + noise,
                      "air-humidity": 85.0 + noise, "room": 21.0 + noise}  # fmt: skip
            for topic, value in values.items():
                one.live.put(f"k/{topic}", value)
            one.live.tick(60)
        one.live.commit()
        yield one


class Tags(HTMLParser):
    """The tags of a page with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def tags(answer: Answer) -> list[tuple[str, dict[str, str | None]]]:
    """Checks on the way that no markup came in from outside."""
    found = Tags(answer.text).found
    assert not [tag for tag, attrs in found if any(name.startswith("on") for name in attrs)]
    assert {attrs.get("src") for tag, attrs in found if tag == "script"} <= set(_scripts(answer.text))
    assert "style" not in {name for _, attrs in found for name in attrs}
    return found


def _scripts(text: str) -> list[str]:
    return re.findall(r'src="(/static/(?:curve|page)\.js\?[0-9a-f]{12})"', text)


def forms(answer: Answer, kind: str) -> dict[str, str]:
    """Fields of the first form that does this act."""
    for text in re.findall(r"<form.*?</form>", answer.text, re.DOTALL):
        fields = {str(a.get("name")): str(a.get("value") or "") for tag, a in Tags(text).found if tag == "input"}
        if fields.get("kind") == kind:
            return fields
    raise AssertionError(f"no form for {kind}")


def test_the_first_thing_said_is_how_it_stands(door: Door) -> None:
    answer = door.get("/")
    assert "The koji is at 30.0 to 34.0 °C" in answer.text
    assert "You can now:" in answer.text
    assert "Hottest: top tray" in answer.text and "Coldest: middle tray" in answer.text
    assert "hour 3.0" in answer.text
    assert answer.text.index("The koji is at") < answer.text.index("You can now:") < answer.text.index("data-curve")


def test_what_can_wait_does_not_stand_above_what_cannot() -> None:
    parts: Any = environment().get_template("parts.html").module
    alarms = [SimpleNamespace(tone=tone, text=text) for tone, text in (("look", "no broker"), ("wrong", "Card full"))]
    calm, urgent = (SimpleNamespace(headline=SimpleNamespace(tone=tone)) for tone in ("fine", "wrong"))
    assert [name in parts.brief(alarms, [calm]) for name in ("broker", "Card")] == [True, True]
    assert [name in parts.brief(alarms, [calm, urgent]) for name in ("broker", "Card")] == [False, True]


@pytest.mark.parametrize(
    "path",
    ["/", "/box/box", "/batches", "/start/box", "/discard/box", "/harvest/box", "/step/box/mix", "/mark/box/1",
     "/batch/{batch}", "/enter"],
)  # fmt: skip
def test_every_page_is_free_of_foreign_markup(door: Door, path: str) -> None:
    answer = door.get(path.format(batch=door.live.client.get("/v1/batches")["batches"][0]["id"]))
    assert answer.status == 200
    found = tags(answer)
    assert ("html", {"lang": "en"}) in found
    assert "alert(1)" not in re.sub(r"&lt;script&gt;alert\(1\)", "", answer.text)


def test_the_script_and_style_are_ours_and_small(door: Door) -> None:
    html = door.get("/", Accept_Encoding="gzip")
    total = len(html.body)
    for path in set(re.findall(r'(?:src|href)="(/static/[^"]*)"', door.get("/").text)):
        total += len(door.get(path, Accept_Encoding="gzip").body)
    total += len(door.get("/curve/box.svg?width=336", Accept_Encoding="gzip").body)
    assert html.headers["content-encoding"] == "gzip"
    assert total < 200_000


def test_units_and_zone_are_the_viewers(door: Door) -> None:
    answer = door.get("/", Cookie="unit=F; zone=Asia%2FKolkata; who=Aki")
    assert "93.2 °F" in answer.text and " °C" not in answer.text
    assert "in Asia/Kolkata" in answer.text and 'value="Aki"' in answer.text
    wrong = door.get("/", Cookie="unit=K; zone=../../etc/passwd; who=%00%0d%0ax")
    assert wrong.status == 200 and "°C" in wrong.text and "passwd" not in wrong.text


def test_preferences_are_kept(door: Door) -> None:
    answer = door.form("/prefs", {"unit": "F", "zone": "Europe/Berlin", "who": "Mio; x=1"})
    assert answer.status == 303
    link = answer.headers["set-cookie"]
    assert "SameSite=Strict" in link and "x=1" not in link


def test_whoever_wants_the_zone_of_the_settings_follows_them() -> None:
    kept = preference_cookies({"zone": "Europe/Berlin", "who": "Mio"}, "Europe/Berlin", False)
    assert kept[0].startswith("zone=; Path=/; Max-Age=0;") and kept[1].startswith("who=Mio; Path=/; Max-Age=31536000;")
    assert preference_cookies({"zone": "Asia/Tokyo"}, "Europe/Berlin", False)[0].startswith("zone=Asia%2FTokyo; ")


def test_the_start_form_knows_the_rice_of_the_last_batch(door: Door) -> None:
    assert 'name="rice_kg" inputmode="decimal" autocomplete="off" value="2.5"' in door.get("/start/box").text


def test_batches_are_listed_with_day_and_small_curve(door: Door) -> None:
    batch = door.live.client.get("/v1/batches")["batches"][0]["id"]
    listed = door.get("/batches").text
    assert f'src="/batch/{batch}/small.svg"' in listed
    assert re.search(r'<p class="small">\d{1,2} [A-Z][a-z]{2} \d{4}, 3\.\d h, open', listed)
    small = door.get(f"/batch/{batch}/small.svg")
    assert "°C at hour" in small.text and read(small.text) is not None
    assert small.headers["content-security-policy"].startswith("default-src 'none'")
    assert door.get("/batch/none/small.svg").status == 404


def test_it_can_stand_on_a_home_screen(door: Door) -> None:
    found = tags(door.get("/"))
    links = {str(attrs["rel"]): str(attrs["href"]) for tag, attrs in found if tag == "link"}
    made = door.get(links["manifest"]).json
    for path in (links["icon"], links["apple-touch-icon"], *(icon["src"] for icon in made["icons"])):
        assert door.get(path).status == 200, path
    assert (made["start_url"], made["display"]) == ("/", "standalone")
    assert "manifest-src 'self'" in door.get("/").headers["content-security-policy"]


def test_the_night_page_leads_to_a_channel_where_there_is_none(door: Door) -> None:
    text = door.get("/night").text
    assert "Give it a way to reach you" in text and "kind: service" in text and "kojimon setup" in text


def test_a_step_is_done_and_taken_back_without_a_script(door: Door) -> None:
    fields = forms(door.get("/step/box/wrap"), "step.done")
    answer = door.form("/act", {**fields, "ago_min": "30"})
    assert answer.status == 303
    told = door.get(answer.headers["location"])
    assert "Done: cover the trays" in told.text
    mark = re.findall(r"/mark/box/(\d+)", told.text)[-1]
    undo = [
        f for f in re.findall(r"<form.*?</form>", door.get(f"/mark/box/{mark}").text, re.DOTALL) if "step.undo" in f
    ]
    fields = {str(a.get("name")): str(a.get("value")) for tag, a in Tags(undo[0]).found if tag == "input"}
    assert "Taken back" in door.get(door.form("/act", fields).headers["location"]).text
    assert door.get(f"/mark/box/{mark}").status == 404


def test_the_same_press_twice_is_one_act(door: Door) -> None:
    fields = {**forms(door.get("/"), "batch.note"), "text": "only once"}
    first, second = (door.form("/act", fields, Accept="application/json") for _ in range(2))
    assert first.json["text"] == "Note: only once" and second.status == 200
    notes = door.live.client.get("/v1/events", kinds="note")["events"]
    assert [note["data"]["text"] for note in notes].count("only once") == 1
    assert notes[-1]["data"]["channel"] == "page"


def test_after_a_mixing_one_tap_says_that_the_probe_is_back(door: Door) -> None:
    door.act("step.done", step="mix", override="a test", idempotency="mixed")
    answer = door.get("/")
    assert (
        "back in the koji, each half-way down in the middle" in answer.text
        and "No alarm comes if you do not answer" in answer.text
    )
    fields = forms(answer, "probe.back")
    assert door.form("/act", fields).status == 303
    assert "back in the koji, each" not in door.get("/").text
    noted = [event for event in door.live.client.get("/v1/events")["events"] if event["kind"] == "probe-back"]
    assert (noted[-1]["key"], noted[-1]["data"]["channel"]) == ("said", "page")
    assert door.form("/act", fields).status == 303, "the same tap again does nothing"
    again = [event for event in door.live.client.get("/v1/events")["events"] if event["kind"] == "probe-back"]
    assert again == noted
    mark = re.findall(r"/mark/box/(\d+)", door.get("/").text)[-1]
    assert door.act("step.undo", mark=mark).status == 200, "the others have this batch too"


def test_a_mixing_nobody_marked_is_asked_about_and_answered_by_a_tap_alone(tmp_path: Path) -> None:
    """The link of a message opens the question; looking at it does nothing."""
    with page(tmp_path) as door:
        door.act("batch.start", name="first", hour0_ago_s="22")
        for minute in range(80):
            value = 38.5 if minute < 60 else 35.0
            for topic, add in (("bed", 0.0), ("bed-2", -0.4), ("bed-3", -0.2)):
                door.live.put(f"k/{topic}", value + add + 0.0625 * (minute % 5))
            door.live.put("k/air", 30.0 + 0.0625 * (minute % 5))
            door.live.tick(60.0)
        first = door.get("/")
        assert "The koji cooled suddenly then." in first.text and 'href="/mixed/box"' in first.text
        asked = door.get("/mixed/box")
        assert asked.status == 200 and "Until you answer, the next steps count from then." in asked.text
        assert "The koji cooled suddenly then." in door.get("/").text, "looking answers nothing"
        state = door.live.client.get("/v1/state")["incubators"][0]
        assert (state["question"]["key"], state["question"]["step"]) == ("mix-guess", "first-check")
        fields = forms(first, "mix.answer")
        assert fields["mixed"] == "yes" and door.form("/act", fields).status == 303
        done = door.live.client.get("/v1/events", kinds="step-done")["events"][-1]
        assert (done["key"], done["data"]["at_ms"]) == ("first-check", state["question"]["at_t_ms"])
        assert "The koji cooled suddenly" not in door.get("/").text and door.get("/mixed/box").status == 404


def test_a_harvest_of_koji_that_was_not_seen_to_warm_itself_is_no_main_button(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        door.act("batch.start", name="first", hour0_ago_s="46")
        for minute in range(45):
            for topic in ("bed", "bed-2", "bed-3", "air"):
                door.live.put(f"k/{topic}", 30.0 + 0.0625 * (minute % 5))
            door.live.tick(60.0)
        door.act("step.done", step="first-check", ago_min="60")
        first, step = door.get("/"), door.get("/step/box/harvest")
        for answer in (first, step):
            assert "This koji has not been seen to warm itself. Look and smell before you go on" in answer.text
        buttons = [a for tag, a in Tags(first.text).found if tag == "a" and str(a.get("id")) == "s-box-go"]
        assert [str(a.get("class")).split() for a in buttons] == [["button"]]


@pytest.mark.parametrize("kind", ["batch.note"])
def test_hostile_text_is_text(door: Door, kind: str) -> None:
    assert door.act(kind, text=HOSTILE).status == 200
    for path in ("/", "/batches", f"/batch/{door.live.client.get('/v1/batches')['batches'][0]['id']}"):
        tags(door.get(path))
    svg = door.get("/curve/box.svg?width=500")
    assert b"<script" not in svg.body
    read(svg.text)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "batch.harvest", "yield_kg": "much"}, "'much': expected a mass with its unit"),
        ({"kind": "batch.weigh", "stage": "work", "kg": "1,500"}, "can be read two ways; write 1500 or 1.5"),
        ({"kind": "batch.note", "text": "x", "ago_min": "-5"}, "expected 0 or more"),
        ({"kind": "batch.note", "text": "x", "at": "25:00"}, "expected a time that has passed"),
        ({"kind": "step.undo", "mark": "1.5"}, "a whole number"),
        ({"kind": "settings.change"}, "this form is not known here"),
        ({}, "this form is not known here"),
    ],
)
def test_fields_that_make_no_sense_are_told(door: Door, fields: dict[str, str], words: str) -> None:
    answer = door.form("/act", {"incubator": "box", **fields}, Accept="application/json")
    assert answer.status == 400 and words in answer.json["error"]
    assert door.form("/act", {"incubator": "box", **fields}).status == 400


def test_a_weight_says_what_it_means_and_keeps_its_vessel(door: Door) -> None:
    door.act("batch.weigh", stage="dry", kg="2")
    said = door.act("batch.weigh", stage="soaked", kg="3 000 g", tare_kg="0.4").json["goto"]
    shown = door.get(said).text
    assert "Weighed, soaked: 2.60 kg, 400 g of its vessel taken off." in shown
    assert "Soaked: 130 on 100 dry, within the published 120-130" in shown
    assert "Taken off for the vessel: soaked 400 g, steamed 400 g." in shown
    door.act("batch.weigh", stage="steamed", kg="3.2")
    assert "Steamed: 140 on 100 dry, within the published 130-140" in door.get("/").text


def test_a_form_that_cannot_be_read_is_told(door: Door) -> None:
    for body in (b"\xff\xfe=1", b"&".join(b"a%d=1" % n for n in range(60)), b"kind=batch.note&text=%ff"):
        answer = door.ask("POST", "/act", body, Origin=door.origin, Content_Type="application/x-www-form-urlencoded")
        assert answer.status == 400


def test_refusals_are_told_in_words(door: Door) -> None:
    answer = door.act("batch.start", name="second")
    assert answer.status == 409 and "is open in box" in answer.json["error"]


def test_a_box_nobody_has(door: Door) -> None:
    for path in ("/box/x", "/start/x", "/step/x/mix", "/step/box/x", "/curve/x.svg", "/batch/x", "/mark/box/99"):
        assert door.get(path).status == 404, path


def test_the_curve_has_a_tag(door: Door) -> None:
    first = door.get("/curve/box.svg?width=340")
    assert read(first.text).get("width") == "340"
    again = door.get("/curve/box.svg?width=340", If_None_Match=first.headers["etag"])
    assert (again.status, again.body) == (304, b"")
    assert door.get("/curve/box.svg?width=341", If_None_Match=first.headers["etag"]).status == 200


def test_a_curve_that_stands_alone_may_carry_its_style_and_nothing_else(door: Door) -> None:
    answer = door.get("/curve/box.svg?file=1")
    assert "<style>" in answer.text
    assert answer.headers["content-security-policy"] == "default-src 'none'; style-src 'unsafe-inline'; sandbox"


@pytest.mark.parametrize(
    "query", ["width=99999", "width=-3", "height=1e99", "last=0.001", "from=9&to=3", "from=1e5", "width=x"]
)
def test_odd_curves_are_drawn_or_refused(door: Door, query: str) -> None:
    answer = door.get(f"/curve/box.svg?{query}")
    assert answer.status in (200, 400)
    if answer.status == 200:
        assert float(read(answer.text).get("width", "0")) <= 2000


def test_zoom_shows_the_last_hours(door: Door) -> None:
    tree = read(door.get("/curve/box.svg?last=1").text)
    assert float(tree.get("data-from", "0")) == pytest.approx(2.0, abs=0.1)


def test_the_api_has_tags_too(door: Door) -> None:
    first = door.get("/v1/batches")
    assert first.headers["cache-control"] == "private, no-cache"
    again = door.get("/v1/batches", If_None_Match=f'"x", W/{first.headers["etag"]}')
    assert (again.status, again.body) == (304, b"") and "content-type" not in again.headers
    assert door.get("/v1/batches", If_None_Match='"other"').status == 200


# Photos.


def photo(door: Door, data: bytes, query: str = "incubator=box&text=the+mat") -> Answer:
    own = {"Origin": door.origin, "Content_Type": "image/jpeg", "Accept": "application/json"}
    return door.ask("POST", f"/photo?{query}", data, **own)


def test_a_photo_is_kept_and_shown(door: Door) -> None:
    assert photo(door, JPEG).json["text"] == "Photo saved."
    note = door.live.client.get("/v1/events", kinds="note")["events"][-1]
    name = note["data"]["photo"]
    shown = door.get(f"/photos/{name}")
    assert shown.body == JPEG
    assert shown.headers["content-type"] == "image/jpeg" and shown.headers["x-content-type-options"] == "nosniff"
    batch = door.live.client.get("/v1/batches")["batches"][0]["id"]
    assert f"/photos/{name}" in door.get(f"/batch/{batch}").text
    kept = door.get(f"/batch/{batch}/review.html")
    assert "data:image/jpeg;base64," in kept.text and "attachment" in kept.headers["content-disposition"]


@pytest.mark.parametrize(
    "data",
    [b"", b"<svg onload=alert(1)>", b"<!doctype html><script>", b"GIF89a", b"\x7fELF", b"%PDF-1.7", b"PK\x03\x04",
     b"RIFF1234AVI "],
)  # fmt: skip
def test_what_is_no_photo_is_refused(door: Door, data: bytes) -> None:
    answer = photo(door, data)
    assert answer.status == 400 and "no photo" in answer.json["error"]


def test_a_photo_of_nothing_is_refused(door: Door) -> None:
    assert photo(door, JPEG, "incubator=other").status == 404
    big = photo(door, JPEG[:4] + b"\0" * (8 * 1024 * 1024))
    assert big.status == 400 and "make it smaller" in big.json["error"]


@pytest.mark.parametrize(
    "name", ["..%2fkojimon.journal", "%2e%2e/kojimon.journal", "x.jpg", ".jpg", "kojimon.journal", "a%00.jpg"]
)
def test_nothing_but_photos_comes_out_of_the_folder(door: Door, name: str) -> None:
    assert door.get(f"/photos/{name}").status == 404


def test_static_files_stay_in_their_folder(door: Door) -> None:
    for path in ("/static/../page.py", "/static/%2e%2e/page.py", "/static//etc/passwd", "/static/..%2fpage.py"):
        assert door.get(path).status == 404


def test_metrics_read_by_the_reference_parser(door: Door) -> None:
    """prometheus_client's own OpenMetrics parser refuses what is not OpenMetrics 1.0."""
    from prometheus_client.openmetrics.parser import text_string_to_metric_families

    answer = door.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    found = {family.name: family for family in text_string_to_metric_families(answer.text)}
    warm = {s.labels["probe"]: s.value for s in found["kojimon_temperature_celsius"].samples}
    assert warm["bed-2"] == 30.0
    assert found["kojimon_relative_humidity_ratio"].samples[0].value == 0.85
    assert found["kojimon_batch_age_seconds"].samples[0].value == pytest.approx(3 * 3600, abs=60)


def test_the_journal_beside_it_is_not_served(door: Door, tmp_path: Path) -> None:
    assert door.get("/kojimon.journal").status == 404


def test_a_probe_is_moved_to_another_tray_without_a_script(door: Door) -> None:
    before = door.get("/")
    assert "bed, in the top tray" in before.text
    fields = {**forms(before, "probe.move"), "probe": "bed", "tray": "bottom"}
    told = door.get(door.form("/act", fields).headers["location"])
    assert "Probe bed was moved from the top tray to the bottom tray." in told.text
    assert "bed, in the bottom tray" in told.text and "No probe measures the top tray." in told.text
    answer = door.form("/act", {**forms(told, "probe.move"), "probe": "bed", "tray": "bottom"})
    assert answer.status == 409 and "in bottom already" in answer.text
    # The other tests share this daemon.
    back = {**forms(door.get("/"), "probe.move"), "probe": "bed", "tray": "top"}
    assert "bed, in the top tray" in door.get(door.form("/act", back).headers["location"]).text


@pytest.mark.parametrize("told", ["\u00b2", "\u0663", "9" * 25, "9" * 5_000, "-1", "0", "1.5", "\x00", "a"])
def test_what_is_no_number_in_an_address_or_a_cookie_is_passed_over(door: Door, told: str) -> None:
    for path in ("/?told=", "/step/box/inoculate?refused="):
        assert door.get(f"{path}{quote(told)}").status == 200
    if told == "\u00b2":
        assert door.get("/", Cookie=f"width={told}").status == 200


def test_what_was_read_by_hand_is_kept_and_shown_with_its_age(door: Door) -> None:
    fields = forms(door.get("/"), "reading")
    done = door.form("/act", {**fields, "value_c": "34,5", "tray": "top"})
    assert done.status in (200, 303)
    shown = door.get("/").text
    assert "By hand: top tray" in shown and "34.5<small> °C" in shown
    refused = door.form("/act", {**forms(door.get("/"), "reading"), "value_c": "95", "tray": "top"})
    assert refused.status == 409 and "check the unit" in refused.text
    door.form("/act", forms(door.get("/"), "reading.undo"))
