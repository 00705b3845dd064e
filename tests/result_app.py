"""An app whose only purpose is the result screen, for its tests."""

from result_bench import GOOD, PATH, FakeBench
from textual.app import App

from tui.screens.result import ResultScreen
from tui.themes import DARK, THEMES

WAITING = object()


class ResultApp(App):
    """An app whose only purpose is the result screen; `left_with` is what it was dismissed with."""

    CSS_PATH = "../tui/app.tcss"

    def __init__(self, bench, *, next_run=False, samples=None):
        super().__init__()
        self.bench = bench
        self.result = ResultScreen(bench, PATH, next_run=next_run, samples=samples)
        self.left_with = WAITING
        self.clipboard_texts = []
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = DARK

    def get_theme_variable_defaults(self):
        return THEMES[0].variables

    def on_mount(self):
        self.push_screen(self.result, lambda result: setattr(self, "left_with", result))

    def copy_to_clipboard(self, text):
        self.clipboard_texts.append(text)


def app_with(summary=GOOD, **options):
    """Return the app over a workbench that reads `summary` at once."""
    bench = FakeBench(summary)
    bench.may_read.set()
    return ResultApp(bench, **options)


async def settled(pilot):
    """Wait until nothing is read or kept any more and the screen shows it."""
    await pilot.pause()
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()
