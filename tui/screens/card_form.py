"""The form of the run card: what a person knows of a run and no sensor can tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.run_card import KINDS, RunCard
from tui.screens.typed_form import FormField, TypedForm
from tui.typed_values import CARD_FIELDS, OF_THE_PACK, OF_THE_TOOL, FieldFault, shown_field, typed_card

if TYPE_CHECKING:
    from collections.abc import Mapping

_OFFERED: Final = {"kind": KINDS}
#: By what owns them: the field at which it is asked about them, and all of them.
_BELONGS_TO: Final = {"pack": ("series", OF_THE_PACK), "tool": ("tool_kind", OF_THE_TOOL)}


class CardForm(TypedForm[RunCard]):
    """Asks for the fields of a run card; dismisses with `card` and what was typed into it.

    The outcome and what the form does not ask for stay as they were.
    """

    def __init__(self, card: RunCard, title: str = "Run card") -> None:
        super().__init__(
            title,
            [
                FormField(
                    field.name,
                    field.label,
                    field.unit,
                    shown_field(getattr(card, field.name)),
                    field.example,
                    _OFFERED.get(field.name, ()),
                )
                for field in CARD_FIELDS
            ],
        )
        self._card = card
        self._asked_about: set[str] = set()

    def result_of(self, texts: Mapping[str, str]) -> RunCard:
        """Return the card; what belonged to another pack or tool is asked about once."""
        card = typed_card(texts, self._card)
        for owner, (first_field, fields) in _BELONGS_TO.items():
            if owner not in self._asked_about and _keeps_what_is_anothers(self._card, card, owner, fields):
                self._asked_about.add(owner)
                raise FieldFault(first_field, f"these belong to the {owner}. Still right? Enter keeps them")
        return card


def _keeps_what_is_anothers(before: RunCard, card: RunCard, owner: str, fields: frozenset[str]) -> bool:
    """Return whether pack or tool (`owner`) is another one and nothing of what belongs to it was changed."""
    kept = [(getattr(before, name), getattr(card, name)) for name in fields]
    changed = any(old != new for old, new in kept)
    given = any(new is not None for _, new in kept)
    named = getattr(before, owner)
    return named is not None and getattr(card, owner) != named and given and not changed
