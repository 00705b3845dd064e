"""A form over a screen: a few fields of one line each, checked when Enter is pressed.

Nothing typed is lost by a fault: it is said in one line, and the field that has it gets the cursor.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final, Generic, TypeVar

from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.suggester import SuggestFromList
from textual.widgets import Input, Static

from tui.formatting import plain
from tui.typed_values import FieldFault
from tui.widgets.action_text import ActionText

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from textual.app import ComposeResult
    from textual.events import DescendantFocus, Resize

Result = TypeVar("Result")

#: Rows of a form beside its fields, at most: edges, title, words offered, fault, ways out.
_ROWS_BESIDE: Final = 9


@dataclass(frozen=True, slots=True)
class FormField:
    """A field: its name, label and unit, what stands in it at first, an example, and words offered."""

    name: str
    label: str
    unit: str = ""
    initial: str = ""
    example: str = ""
    offered: tuple[str, ...] = ()


class TypedForm(ModalScreen[Result | None], Generic[Result]):
    """Dismisses with what `result_of` makes of the texts, or with None."""

    DEFAULT_CSS = """
    TypedForm { align: center middle; }
    TypedForm > #form {
        width: 78; max-width: 100%; height: auto; max-height: 100%;
        background: $panel; color: $foreground; border: round $foreground; padding: 0 1;
    }
    TypedForm #title { text-style: bold; height: auto; max-height: 2; }
    TypedForm #fields { height: auto; scrollbar-size-vertical: 1; }
    TypedForm .row { height: 1; }
    TypedForm .label { width: 20; }
    TypedForm .row.-chosen .label { text-style: bold reverse; }
    TypedForm .unit { width: auto; min-width: 4; padding: 0 0 0 1; }
    TypedForm Input { width: 1fr; background: $background; color: $foreground; }
    TypedForm #offered, TypedForm #fault { height: auto; max-height: 2; }
    TypedForm #fault { color: $error; text-style: bold; }
    TypedForm #ways { height: 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", id="form.back", tooltip="Leave the form; nothing of it is kept"),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]

    def __init__(self, title: str, fields: Sequence[FormField]) -> None:
        super().__init__()
        self._heading = title
        self._fields = tuple(fields)

    @abstractmethod
    def result_of(self, texts: Mapping[str, str]) -> Result:
        """Return what was typed; raise FieldFault where it cannot stand."""

    def compose(self) -> ComposeResult:
        """Yield the form from the top."""
        with Vertical(id="form"):
            yield Static(plain(self._heading), id="title", markup=False)
            with VerticalScroll(id="fields", can_focus=False):
                for field in self._fields:
                    with Horizontal(classes="row"):
                        yield Static(field.label, classes="label", markup=False)
                        yield _input_of(field)
                        yield Static(field.unit, classes="unit", markup=False)
            yield Static(id="offered")
            yield Static(id="fault", markup=False)
            with Horizontal(id="ways"):
                yield ActionText("enter", "keep", "screen.keep", id="keep")
                yield ActionText("esc", "back", "screen.back", id="back")
                if len(self._fields) > 1:
                    yield ActionText("tab", "next field", "app.focus_next", id="next")

    def on_mount(self) -> None:
        """Put the cursor into the first field."""
        self._say("")
        self.input_of(self._fields[0].name).focus()

    def on_resize(self, event: Resize) -> None:
        """Let the fields scroll where not all of them fit."""
        self.query_one("#fields").styles.max_height = max(1, event.size.height - _ROWS_BESIDE)

    def input_of(self, name: str) -> Input:
        """Return the field of a name."""
        return self.query_one(f"#field-{name}", Input)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in any field is Enter for the form."""
        event.stop()
        self.action_keep()

    def on_descendant_focus(self, _event: DescendantFocus) -> None:
        """Make the field that has the cursor stand out, and offer its words."""
        for row in self.query(".row"):
            row.set_class(self.focused in row.children, "-chosen")
        field = self._focused_field()
        words = [] if field is None else field.offered
        line = self.query_one("#offered", Static)
        line.display = bool(words)
        # the words are our own and hold no markup
        line.update("  ".join(f"[@click=screen.take({at})]{word}[/]" for at, word in enumerate(words)))

    def action_take(self, at: int) -> None:
        """Put an offered word into the field that has the cursor."""
        field = self._focused_field()
        if field is not None:
            box = self.input_of(field.name)
            box.value = field.offered[at]
            box.cursor_position = len(box.value)

    def action_keep(self) -> None:
        """Leave with the result, or say what is wrong."""
        try:
            result = self.result_of({field.name: self._typed(field) for field in self._fields})
        except FieldFault as fault:
            label = next(field.label for field in self._fields if field.name == fault.name)
            self._say(f"! {label}: {fault}" if len(self._fields) > 1 else f"! {fault}")
            self.input_of(fault.name).focus()
        else:
            self.dismiss(result)

    def action_back(self) -> None:
        """Leave without."""
        self.dismiss(None)

    def _typed(self, field: FormField) -> str:
        """Return what stands in a field; what nobody touched is what it was, whatever it looks like."""
        text = self.input_of(field.name).value
        return field.initial if text == plain(field.initial) else text

    def _say(self, words: str) -> None:
        line = self.query_one("#fault", Static)
        line.display = bool(words)
        line.update(words)

    def _focused_field(self) -> FormField | None:
        return next((field for field in self._fields if self.input_of(field.name) is self.focused), None)


def _input_of(field: FormField) -> Input:
    return Input(
        plain(field.initial),
        placeholder=f"such as {field.example}" if field.example else "",
        suggester=SuggestFromList(field.offered, case_sensitive=False) if field.offered else None,
        id=f"field-{field.name}",
        compact=True,
        select_on_focus=False,
    )
