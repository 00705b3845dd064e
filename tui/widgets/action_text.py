"""A few words that do on a click what a key does."""

from __future__ import annotations

from textual.content import Content
from textual.widgets import Static


class ActionText(Static):
    """`key` and what it does; a click runs `action`. Never focused: its key is its own way in."""

    DEFAULT_CSS = """
    ActionText { width: auto; height: 1; margin: 0 2 0 0; }
    ActionText:hover { text-style: reverse; }
    """

    def __init__(self, key: str, words: str, action: str, *, id: str | None = None) -> None:  # noqa: A002  Textual's name
        super().__init__(id=id)
        self._key = key
        self._action = action
        self.say(words)

    def say(self, words: str) -> None:
        """Show other words beside the key."""
        self.update(Content.assemble((self._key, "bold $footer-key-foreground"), f" {words}"))

    async def on_click(self) -> None:
        """Do it."""
        await self.run_action(self._action)
