"""The curve of a box without a batch: its last hours, as far as there are any."""

from __future__ import annotations

from pathlib import Path

from tests.curve.sheets import read
from tests.web.pages import page


def test_a_box_that_warms_up_has_a_curve_of_its_last_hours(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        assert door.get("/curve/box.svg").status == 404, "nothing was read yet"
        assert "data-curve" not in door.get("/").text
        for minute in range(45):
            door.live.put("k/air", 20.0 + minute / 5)
            door.live.put("k/bed", 19.0 + minute % 5 / 10)
            door.live.tick(60)
        door.live.commit()
        answer = door.get("/curve/box.svg?width=340")
        drawn = read(answer.text)
        assert (answer.status, drawn.get("width")) == (200, "340")
        assert -0.8 < float(drawn.get("data-from", "0")) <= -0.5
        assert door.get("/curve/box.svg?width=340", If_None_Match=answer.headers["etag"]).status == 304
        text = door.get("/").text
        assert "The last hours" in text and 'data-curve="box" data-version="warm-' in text
