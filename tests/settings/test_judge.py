"""When a probe is not believed: given in the settings, in either unit, and refused where it makes no sense."""

from __future__ import annotations

from pathlib import Path

from kojimon.probes.judging.limits import AIR, BED, HUMIDITY, limits_of
from kojimon.settings import plain
from kojimon.settings.spec import Judging
from tests.settings.files import SMALL, load, refusal

OWN = """\
incubators: {box: {schedule: rice-koji-home-trays}}
sources: {house: {kind: mqtt, host: 192.0.2.10}}
probes:
  koji: {place: bed, topic: koji, judge: {spike: 3.6 F, rate: 5 C, stuck: 1 h, drift: 0.2 C, drift_for: 30 min}}
  damp: {place: air, quantity: humidity, topic: damp, judge: {pinned: 0 s, spike: 30 %}}
  air: {place: air, topic: air}
"""


def test_what_is_given_counts_and_the_rest_is_what_fits_the_place(tmp_path: Path) -> None:
    found = load(tmp_path, OWN)
    koji, damp, air = (limits_of(probe) for probe in found.probes)
    assert (round(koji.spike, 6), koji.rate_per_min, koji.stuck_s, koji.drift, koji.drift_s) == (2, 5, 3600, 0.2, 1800)
    assert koji.pinned_s == BED.pinned_s and koji.stuck_others == BED.stuck_others
    assert (damp.pinned_s, damp.spike, damp.rate_per_min) == (0, 30, HUMIDITY.rate_per_min)
    assert air == AIR
    assert plain.from_json(plain.to_json(found)) == found


def test_without_a_word_nothing_is_changed(tmp_path: Path) -> None:
    assert load(tmp_path, SMALL).probes[0].judge == Judging()


def test_what_makes_no_sense_is_refused_all_at_once(tmp_path: Path) -> None:
    wrong = OWN.replace("spike: 3.6 F, rate: 5 C", "spike: 5 %, rate: 99 C").replace("stuck: 1 h", "stuck: soon")
    said = "\n".join(refusal(tmp_path, wrong))
    assert "judge.stuck: found `soon`" in said
    wrong = OWN.replace("spike: 3.6 F, rate: 5 C", "spike: 5 %, rate: 99 C")
    said = "\n".join(refusal(tmp_path, wrong))
    assert "probes.koji.judge.spike: found `5 %` for a temperature" in said
    assert "probes.koji.judge.rate: found `99 C`, expected 0 to 60 C" in said
