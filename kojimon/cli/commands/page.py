"""`kojimon page`: where the page is, and a code to sign in with one phone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import LiveKitchen
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import config_option, example, json_option
from kojimon.errors import KojimonError

if TYPE_CHECKING:
    from kojimon.web.client.local import Client


@click.command(epilog=example("kojimon page"))
@json_option
@config_option
def page(as_json: bool, config: str | None) -> None:
    """Where the page is. With a token in the settings: a picture for a phone's camera, which works once."""
    kitchen = open_kitchen(config)
    if not isinstance(kitchen, LiveKitchen):
        raise KojimonError("kojimon is not running, so there is no page. To start it: kojimon run")
    show_page(kitchen.client, as_json)


def show_page(client: Client, as_json: bool = False, code: bool = True) -> None:
    """Prints where the page is, with a fresh code where a token is wanted. Raises KojimonError when it is not open
    or can let nobody in.

    Args:
        code: whether to print it: in a log it would let in whoever reads that.
    """
    found = client.post("/v1/page", {})
    if as_json:
        screen.print_json(found)
        return
    if not found["addresses"]:
        front = client.health().parts.page
        wrong = (front and front.trouble) or "web.host is empty in the settings"
        raise KojimonError(f"The page is not open: {wrong}.")
    if found["shut"]:
        raise KojimonError(
            f"Nobody can sign in: {found['shut']} The settings name it under web.token: write a long word of your "
            "own on its first line, then start kojimon again."
        )
    if not code:
        found["code"] = ""
    for address in found["addresses"]:
        link = f"{address}enter#{found['code']}" if found["code"] else address
        screen.say(link, "head")
        if found["code"]:
            _picture(link)
    if found["code"]:
        screen.say("It works once, within ten minutes. Whoever opens it may act here: show it to nobody else.", "look")


def _picture(link: str) -> None:
    """The link as a QR code (ISO/IEC 18004) of half blocks."""
    import segno

    segno.make(link, error="m", micro=False).terminal(compact=True)
