"""Looking at the first screen in a test: waiting until it rests, and what it says."""

import asyncio
from contextlib import suppress

from textual.worker import WorkerCancelled

from tui.widgets.choice_list import ChoiceList


async def settled(pilot):
    """Wait until all threads have told what they found, and it is shown."""
    await pilot.pause()
    with suppress(WorkerCancelled):
        await pilot.app.workers.wait_for_complete()
    await pilot.pause()


def shown(app):
    """Return the list as text."""
    choices = app.screen.query_one(ChoiceList)
    return "\n".join(str(option.prompt) for option in choices.options)


def line(app, name):
    """Return the text of one line of the screen."""
    return app.screen.query_one(f"#{name}").render().plain


async def until(pilot, wanted):
    """Wait until `wanted` holds; what threads tell comes when it comes."""
    for _ in range(500):
        await pilot.pause()
        if wanted():
            return
        await asyncio.sleep(0.02)
    raise AssertionError(f"never came: {shown(pilot.app)}")
