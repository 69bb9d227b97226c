"""`kojimon probes place`: where a probe belongs, drawn. `kojimon probes move`: it is in another tray from now on."""

from __future__ import annotations

from typing import Final

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, print_events, probe_of
from kojimon.cli.shared.opening import of_a_box, open_kitchen
from kojimon.cli.shared.options import PlainCommand, config_option, example
from kojimon.contract.acts import ProbeBack, ProbeMove
from kojimon.contract.state import Box, Document

BOX: Final = r"""
   The box from the side                  A tray from the side

  +------------------------------+        cover  ~~~~~~~~~~~~~~~~~~~~~
  |            vent              |               . . . . . . . . . .
  |                        cable-+-->     rice   . . . . .===K . . .
  |  [ . . . . K . . . . ] top   |               . . . . . . . . . .
  |                              |        tray   \__________________/
  |  [ . . . . . . . . . ] low   |
  |                              |        The tip half-way down, in the middle,
  |     A W   at tray height     |        and back there after each mixing.
  |                              |
  |  (heater)    (fan)> > >      |        K koji   A air   W wet bulb
  +------------------------------+
""".strip("\n")

RULES: Final = (
    "One probe: into the koji of the warmest tray, the one that the heater or the fan's warm air reaches first. Its tip"
    " half-way down, in the middle; not on the rim, not touching tray or box.",
    "Over a heat mat the koji is hottest below: another one at the bottom.",
    "A second one: into the air at tray height, out of the line of heater and fan, off the wall, not over a wet towel.",
    "More: one a tray, each named after its tray; kojimon then says which tray is hottest.",
    "A wet bulb beside the air probe: the wick in clean water, and a little air moving past it.",
    "The cable goes through the door's seal and hangs in a drip loop, so that water runs off before a plug.",
    "The sheath is washable steel; wash it and wipe it with alcohol before each batch. Let it dry before any heat"
    " goes on: alcohol burns. A bare board stays out of the rice and out of water.",
)


@click.command(epilog=example("kojimon probes place"))
def place() -> None:
    """Where each probe belongs, with a drawing."""
    click.echo(BOX)
    click.echo()
    for number, rule in enumerate(RULES, 1):
        screen.say(f"{number}. {rule}")
    screen.say("Mains and water: box on a GFCI or RCD. Local codes and licensed electricians come first.", "look")


@click.command(cls=PlainCommand, epilog=example("kojimon probes move koji-1 --to bottom"))
@click.argument("probe")
@click.option("--to", "tray", required=True, metavar="TRAY", help="The tray it is in now.")
@config_option
def move(probe: str, tray: str, config: str | None) -> None:
    """Enter that a probe is in another tray from now on, until the batch ends.

    Enter it as you move it: its readings count for the new tray from this moment, and for ten minutes it may change as
    fast as it likes. The limits go on. To keep it there for the next batches too, name the tray in the settings.
    """
    kitchen = open_kitchen(config)
    row = probe_of(kitchen.probes(), probe)
    print_events(kitchen, kitchen.act(ProbeMove(probe=probe, tray=tray), row.incubator))
    screen.say("It holds until the batch ends; then the tray in the settings counts again.")


@click.command("in-koji", cls=PlainCommand, epilog=example("kojimon probes in-koji"))
@of_a_box(batch=True)
def in_koji(kitchen: Kitchen, document: Document, box: Box) -> None:
    """Enter that the probe is back in the koji after mixing or spreading: the answer to what was asked then.

    Until you do, or the koji's warmth shows it, kojimon notices a probe left out sooner, for two hours.
    """
    print_events(kitchen, kitchen.act(ProbeBack(), box.name))
