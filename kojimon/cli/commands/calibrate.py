"""`kojimon probes calibrate`: a probe brought to points whose truth is known, guided, or entered by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import click

from kojimon import air
from kojimon.cli.setup.asker import Asker
from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, probe_of
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import DURATION, Number, PlainCommand, config_option, example
from kojimon.clock import SystemClock, real_s, wait_s
from kojimon.contract.acts import ProbeCalibrate
from kojimon.contract.rows import ListedProbe
from kojimon.errors import KojimonError, RefusedError, UsageError
from kojimon.probes.calibration import guide
from kojimon.probes.calibration.fixed_points import SALTS
from kojimon.probes.calibration.guide import FOR, Build, Method, Point, Steadiness
from kojimon.typed import tidy
from kojimon.units import parse_height_m, parse_number, parse_temperature_c, show_difference, show_duration
from kojimon.words import status as words
from kojimon.words.speech import Speech, moment_utc

LOOK_S: Final = 0.5
SEA_LEVEL_HPA: Final = 1013.25
"""Of the standard atmosphere (ISO 2533), where a daemon does not tell its altitude's."""
SAY_S: Final = 15.0
BUILDS: Final = {
    Build.SEALED: "a steel tip sealed into its cable",
    Build.SEALED_HOT: "the same, and the cable stands boiling water (silicone, PTFE)",
    Build.BARE: "a bare chip or board, or a cable that is not sealed: it never enters water",
    Build.HUMIDITY: "a humidity sensor: it never enters water",
}
METHODS: Final = {
    Method.ICE: "ice water, 0 °C",
    Method.FEVER_THERMOMETER: "water of 37 °C beside a fever thermometer",
    Method.BOILING: "boiling water, by your air pressure or altitude",
    Method.SALT: "air over wet salt in a closed jar",
    Method.REFERENCE: "a thermometer or hygrometer you trust, beside it",
}
STEPS: Final = {
    Method.ICE: (
        "Fill a cup with crushed ice, then cold water up to the top of the ice. Put the tip in the middle, stir now and"
        " then; it must not touch the cup.",
        "Keep plugs, boards and this computer away from the water.",
    ),
    Method.FEVER_THERMOMETER: (
        "Take a jug of water of 37 °C (99 °F). Hold both tips together in its middle and stir.",
        "Keep plugs, boards and this computer away from the water.",
    ),
    Method.BOILING: (
        "Hang the tip in water that boils well, off bottom and walls.",
        "Boiling water and its steam scald. Stand the pot safely, keep cable and plugs away from flame and water.",
    ),
    Method.SALT: (
        "Stir salt with a little water to a wet paste, put it into a jar, hang the sensor above it and close the jar."
        " It must not touch the paste. Both need an hour at an even temperature.",
        "Salt water ruins a sensor for good: above it, never in it. Test salts may be poison: keep them, jar and spoon"
        " away from food and children; of these only kitchen salt is food.",
    ),
    Method.REFERENCE: ("Put both in one place, tip to tip, out of draughts and off the heater.", ""),
}


@click.command(
    cls=PlainCommand,
    epilog=example(
        "kojimon probes calibrate koji-top",
        "kojimon probes calibrate koji-top --build sealed --method ice --yes",
        "kojimon probes calibrate koji-top --point '0.4 C = 0 C' --point '37.3 C = 37 C' --date 2026-10-02",
        "kojimon probes calibrate air-humidity --point '72 % = 75.5 %' --note 'over kitchen salt'",
    ),
)
@click.argument("probe")
@click.option(
    "--build",
    type=click.Choice([one.value for one in Build]),
    metavar="WORD",
    help=f"How the probe is made: {', '.join(one.value for one in Build)}.",
)
@click.option(
    "--method",
    "methods",
    multiple=True,
    type=click.Choice([one.value for one in Method]),
    metavar="WORD",
    help=f"Where the truth comes from, once for each point: {', '.join(one.value for one in Method)}.",
)
@click.option("--point", "points", multiple=True, metavar="'READ = TRUE'", help="By hand: what it read, what was true.")
@click.option("--true", "truth", metavar="VALUE", help="What the other instrument shows: 37.1 C.")
@click.option(
    "--pressure",
    "pressure_hpa",
    type=Number(500, 1100),
    metavar="HPA",
    help="For boiling water: a barometer's where you are; a weather report's is for sea level.",
)
@click.option("--altitude", metavar="HEIGHT", help="Or how high you are: 520 m, 1700 ft. (by the settings)")
@click.option(
    "--salt",
    type=click.Choice(list(SALTS)),
    default="NaCl",
    metavar="NAME",
    help=f"Which salt is wet: {', '.join(SALTS)}. (NaCl, kitchen salt)",
)
@click.option(
    "--within", "within_s", type=DURATION, default="2 h", metavar="TIME", help="Give up when not steady. (2 h)"
)
@click.option("--date", "day", metavar="DAY", help="Of a calibration by hand: 2026-10-02. (today)")
@click.option("--note", default="", metavar="TEXT", help="Kept with it.")
@click.option("--none", "forget", is_flag=True, help="Take the stored calibration back.")
@click.option("--yes", "-y", is_flag=True, help="Ask nothing: options, and defaults for the rest.")
@config_option
def calibrate(
    probe: str,
    build: str | None,
    methods: tuple[str, ...],
    points: tuple[str, ...],
    truth: str | None,
    pressure_hpa: float | None,
    altitude: str | None,
    salt: str,
    within_s: float,
    day: str | None,
    note: str,
    forget: bool,
    yes: bool,
    config: str | None,
) -> None:
    """Find out how far a probe is off, and have that taken off from now on. The settings file stays as it is."""
    kitchen, asker = open_kitchen(config), Asker(yes)
    row = probe_of(kitchen.probes(), probe)
    document = kitchen.state()
    speech = words.speech_of(document)
    today = _day(day)
    if points or forget:
        if row.calibrated:
            screen.say(f"This replaces its calibration of {row.calibrated}, all points.", "look")
        pairs = tuple(_pair(text, row.quantity) for text in points)
        _store(kitchen, row, pairs, today, note or ("taken back" if forget else "by hand"), speech)
        return
    if not kitchen.live:
        raise KojimonError("kojimon is not running, so nothing is read. Start it (kojimon run), or use --point.")
    kind = _build(asker, row, build)
    known_pa, usual_pa = _known_pa(pressure_hpa, altitude), 100 * (document.pressure_hpa or SEA_LEVEL_HPA)
    run = _Run(kitchen, asker, row, speech, kind, truth, known_pa, usual_pa, salt, within_s)
    found = run.points([Method(name) for name in methods])
    certificate = guide.certificate(found, row.quantity, today, "; ".join(filter(None, (run.noted, note))))
    _store(kitchen, row, certificate.points, today, certificate.note, speech, asker)


class _Run:
    """The guided part: each method's steps, the waiting until the reading is steady, the point."""

    def __init__(
        self, kitchen: Kitchen, asker: Asker, row: ListedProbe, speech: Speech, build: Build, truth: str | None,
        known_pa: float | None, usual_pa: float, salt: str, within_s: float,
    ) -> None:  # fmt: skip
        self.kitchen, self.asker, self.row, self.speech, self.build = kitchen, asker, row, speech, build
        self.truth, self.salt, self.within_s = truth, salt, within_s
        self.known_pa, self.usual_pa, self.noted = known_pa, usual_pa, ""

    def points(self, methods: Sequence[Method]) -> list[Point]:
        """The points of the methods named, or of those chosen one after the other."""
        for method in methods:
            _fits(method, self.build)
        if methods:
            return [self._point(method) for method in methods]
        found = [self._point(self._choose())]
        while self.asker.sure("Another point?", default=False):
            found.append(self._point(self._choose()))
        return found

    def _choose(self) -> Method:
        allowed = FOR[self.build]
        screen.say("Where does the truth come from?")
        return allowed[self.asker.choose("Which?", [METHODS[one] for one in allowed]) - 1]

    def _point(self, method: Method) -> Point:
        step, caution = STEPS[method]
        screen.heading(METHODS[method].capitalize())
        screen.say(step)
        if caution:
            screen.say(f"Take care: {caution}", "look")
        if not self.asker.yes:
            click.prompt("Press Enter when it is in place", default="", show_default=False)
        now = self._steady(method)
        pressure = self._pressure_pa() if method is Method.BOILING else self.usual_pa
        true = guide.true_value(method, pressure=pressure, salt=self.salt, reading=self._other(method))
        if method is Method.BOILING:
            self.noted = f"water boiling under {pressure / 100:.1f} hPa"
            screen.say(f"Under {pressure / 100:.1f} hPa water boils at {shown('temperature', true, self.speech)}.")
        return guide.point(method, self.build, now, true)

    def _pressure_pa(self) -> float:
        """The air's pressure: as given, else asked, else by the altitude of the settings."""
        if self.known_pa is not None or self.asker.yes:
            return self.usual_pa if self.known_pa is None else self.known_pa
        screen.say("1 hPa is 0.03 °C here. A barometer's pressure where you are counts, not that of a weather report,")
        screen.say("which is told for sea level. Enter takes that of your altitude, which the weather moves by 30 hPa.")
        return self.asker.ask("What is the air pressure, in hPa?", f"{self.usual_pa / 100:.1f}", _pressure)

    def _steady(self, method: Method) -> Steadiness:
        """Waits until the reading is steady, and says how steady."""
        watch, wanted = guide.Steady(guide.CRITERIA[method]), guide.CRITERIA[method]
        begun_s, said_s, last_ms, now = real_s(), 0.0, -1, None
        while real_s() - begun_s < self.within_s:
            row = probe_of(self.kitchen.probes(), self.row.name)
            # Not the age of the last good reading: a koji probe in boiling water is judged to be out of the koji.
            read_ms = round((real_s() - (row.raw_age_s or 0.0)) * 1000)
            if row.raw is not None and read_ms - last_ms > 50:
                last_ms, now = read_ms, watch.take(read_ms, float(row.raw))
                if now.steady:
                    screen.say(f"Steady: {self._said(now)}.", "good")
                    return now
            if now is not None and real_s() - said_s > SAY_S:
                said_s = real_s()
                screen.say(f"{self._said(now)}; {now.covered_s:.0f} s of {wanted.window_s:.0f} s")
            wait_s(LOOK_S)
        how = f"last {self._said(now)}" if now is not None else "no reading came"
        raise RefusedError(f"Not steady within {show_duration(self.within_s)} ({how}). Nothing was stored.")

    def _said(self, now: Steadiness) -> str:
        quantity = self.row.quantity
        spread = (
            f"{now.spread:.1f} %" if quantity == "humidity" else show_difference(now.spread, self.speech.fahrenheit)
        )
        return f"{shown(quantity, now.mean, self.speech)}, {spread} between highest and lowest"

    def _other(self, method: Method) -> float | None:
        """What the other instrument shows, asked when the probe is steady; for a salt the air's temperature."""
        if method in (Method.ICE, Method.BOILING):
            return None
        quantity = "temperature" if method is Method.SALT else self.row.quantity
        question = "How warm is the jar?" if method is Method.SALT else "What does the other one show now?"
        if self.truth is None and self.asker.yes:
            raise UsageError("Expected --true VALUE, what the other instrument shows, as in --true '25.0 C'.")
        return self.asker.ask(question, "", lambda text: _value(text, quantity), self.truth, "--true")


def _known_pa(pressure_hpa: float | None, altitude: str | None) -> float | None:
    """The pressure that options give, Pa. Raises UsageError."""
    if pressure_hpa is not None and altitude is not None:
        raise UsageError("--pressure and --altitude say the same: expected one of them.")
    if pressure_hpa is not None:
        return 100 * pressure_hpa
    try:
        return None if altitude is None else air.pressure_pa(parse_height_m(altitude))
    except ValueError as error:
        raise UsageError(f"--altitude {altitude}: {error}.") from error


def _pressure(text: str) -> float:
    """hPa as typed, in Pa. Raises ValueError in words."""
    try:
        value = parse_number(text.strip().lower().removesuffix("hpa").replace(",", "."))
    except ValueError:
        raise ValueError("expected a number of hPa, as in 1013") from None
    if not 500 <= value <= 1100:
        raise ValueError("expected 500 to 1100 hPa")
    return 100 * value


def _build(asker: Asker, row: ListedProbe, given: str | None) -> Build:
    """How the probe is made, asked before anything else: it decides what the probe survives."""
    if row.quantity == "humidity":
        return Build.HUMIDITY
    if given is not None:
        return Build(given)
    if asker.yes:
        raise UsageError(f"Expected --build and how it is made: {', '.join(one.value for one in Build)}.")
    kinds = [one for one in BUILDS if one is not Build.HUMIDITY]
    screen.say(f"How is the probe {row.name} made?")
    return kinds[asker.choose("Which?", [BUILDS[one] for one in kinds]) - 1]


def _fits(method: Method, build: Build) -> None:
    if method not in FOR[build]:
        would = ", ".join(one.value for one in FOR[build])
        raise UsageError(f"--method {method.value} would harm it: {BUILDS[build]}. For it: {would}.")


def _value(text: str, quantity: str) -> float:
    """A reading as typed, with its unit. Raises ValueError in words."""
    if quantity == "temperature":
        return parse_temperature_c(tidy(text))
    try:
        return parse_number(text.strip().removesuffix("%").replace(",", "."))
    except ValueError:
        raise ValueError("expected a humidity, as in 75.5 %") from None


def shown(quantity: str, value: float, speech: Speech) -> str:
    """A value to two decimals of a degree, or one of a percent."""
    return f"{value:.1f} %" if quantity == "humidity" else speech.value(quantity, value, 2)


def _pair(text: str, quantity: str) -> tuple[float, float]:
    read, found, true = text.partition("=")
    if not found:
        raise UsageError(f"--point {text}: expected what it read and what was true, as in '0.4 C = 0 C'.")
    try:
        return _value(read, quantity), _value(true, quantity)
    except ValueError as error:
        raise UsageError(f"--point {text}: {error}.") from error


def _day(given: str | None) -> str:
    if given is None:
        return moment_utc(SystemClock().wall_ms()).date().isoformat()
    try:
        return date.fromisoformat(given).isoformat()
    except ValueError as error:
        raise UsageError(f"--date {given}: expected a day, as in 2026-10-02.") from error


def _store(
    kitchen: Kitchen, row: ListedProbe, points: Sequence[tuple[float, float]], day: str, note: str,
    speech: Speech, asker: Asker | None = None,
) -> None:  # fmt: skip
    for raw, true in points:
        said, real = (shown(row.quantity, value, speech) for value in (raw, true))
        screen.say(f"Where it says {said}, {real} is true.")
    if asker is not None and not asker.sure("Store it, and use it from now on?", default=True):
        raise KojimonError("Nothing was stored.")
    kept = ProbeCalibrate(probe=row.name, points=tuple(points), date=day, note=note)
    kitchen.act(kept, row.incubator)
    screen.say(f"{row.name}: {'stored, in force from the next reading on' if points else 'taken back'}.", "good")
